// Normal equations of a network of sights, with the places' truths eliminated.
#pragma once

#include <vector>

#include "coldframe/stack/network.hpp"

namespace coldframe::stack {

[[nodiscard]] inline double term_product(const NetworkTerms& a, const NetworkTerms& b,
                                         std::size_t count) noexcept {
  double sum = 0.0;
  for (std::size_t t = 0; t < count; ++t) sum += a[t] * b[t];
  return sum;
}

class NetworkEquations {
 public:
  NetworkEquations(std::span<const Sight> sights, std::size_t subs, const NetworkOptions& options);

  /// Calls visit(first, last) for the sights `order()[first, last)` of each place.
  template <typename Visit>
  void for_places(Visit&& visit) const {
    for (std::size_t begin = 0; begin < order_.size();) {
      std::size_t end = begin + 1;
      while (end < order_.size() && sight(end).place == sight(begin).place) ++end;
      visit(begin, end);
      begin = end;
    }
  }
  [[nodiscard]] const std::vector<std::size_t>& order() const noexcept { return order_; }
  [[nodiscard]] const Sight& sight(std::size_t k) const noexcept { return sights_[order_[k]]; }
  /// Sum of the weights of one place's sights.
  [[nodiscard]] double weight_of(std::size_t begin, std::size_t end) const noexcept;
  [[nodiscard]] double corrected(std::size_t k, const std::vector<NetworkTerms>& x) const noexcept {
    return sight(k).value + term_product(x[sight(k).sub], sight(k).factors, terms_);
  }

  [[nodiscard]] std::vector<NetworkTerms> diagonal() const;
  /// Improves `x` to the solution for the present weights (Hestenes & Stiefel 1952).
  void solve(std::vector<NetworkTerms>& x) const;

  std::vector<double> weight;  ///< of each sight, in the caller's order
  std::vector<bool> free;      ///< whose corrections are unknowns

 private:
  void apply(const std::vector<NetworkTerms>& a, std::vector<NetworkTerms>& out) const;
  [[nodiscard]] std::vector<NetworkTerms> right_side() const;
  [[nodiscard]] double rein(std::size_t term) const noexcept;

  std::span<const Sight> sights_;
  std::size_t subs_;
  NetworkOptions options_;
  std::size_t terms_;
  std::vector<std::size_t> order_;  ///< sights sorted by place
};

}  // namespace coldframe::stack
