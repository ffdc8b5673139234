#include "network_equations.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace coldframe::stack {
namespace {

double inner(const std::vector<NetworkTerms>& a, const std::vector<NetworkTerms>& b) noexcept {
  double sum = 0.0;
  for (std::size_t i = 0; i < a.size(); ++i) sum += term_product(a[i], b[i], a[i].size());
  return sum;
}

// a += factor * b
void add(std::vector<NetworkTerms>& a, double factor, const std::vector<NetworkTerms>& b) noexcept {
  for (std::size_t i = 0; i < a.size(); ++i) {
    for (std::size_t t = 0; t < a[i].size(); ++t) a[i][t] += factor * b[i][t];
  }
}

}  // namespace

NetworkEquations::NetworkEquations(std::span<const Sight> sights, std::size_t subs,
                                   const NetworkOptions& options)
    : weight(sights.size(), 0.0),
      free(subs, true),
      sights_(sights),
      subs_(subs),
      options_(options),
      terms_(options.terms),
      order_(sights.size()) {
  std::iota(order_.begin(), order_.end(), std::size_t{0});
  std::stable_sort(order_.begin(), order_.end(), [&](std::size_t a, std::size_t b) {
    return sights_[a].place < sights_[b].place;
  });
}

double NetworkEquations::weight_of(std::size_t begin, std::size_t end) const noexcept {
  double sum = 0.0;
  for (std::size_t k = begin; k < end; ++k) sum += weight[order_[k]];
  return sum;
}

double NetworkEquations::rein(std::size_t term) const noexcept {
  const double size = options_.expected_size[term];
  return std::isfinite(size) && size > 0.0 ? 1.0 / (size * size) : 0.0;
}

// out_i = sum over sights of w phi (a_i - mean of a at the place), plus the rein.
void NetworkEquations::apply(const std::vector<NetworkTerms>& a,
                             std::vector<NetworkTerms>& out) const {
  for (auto& terms : out) terms.fill(0.0);
  for_places([&](std::size_t begin, std::size_t end) {
    const double total = weight_of(begin, end);
    if (!(total > 0.0)) return;
    double sum = 0.0;
    for (std::size_t k = begin; k < end; ++k) {
      const Sight& s = sight(k);
      sum += weight[order_[k]] * term_product(a[s.sub], s.factors, terms_);
    }
    for (std::size_t k = begin; k < end; ++k) {
      const Sight& s = sight(k);
      const auto& phi = s.factors;
      const double part = weight[order_[k]] * (term_product(a[s.sub], phi, terms_) - sum / total);
      for (std::size_t t = 0; t < terms_; ++t) out[s.sub][t] += part * phi[t];
    }
  });
  for (std::size_t i = 0; i < subs_; ++i) {
    for (std::size_t t = 0; t < terms_; ++t) {
      out[i][t] = free[i] ? out[i][t] + rein(t) * a[i][t] : 0.0;
    }
  }
}

std::vector<NetworkTerms> NetworkEquations::right_side() const {
  std::vector<NetworkTerms> b(subs_, NetworkTerms{});
  for_places([&](std::size_t begin, std::size_t end) {
    const double total = weight_of(begin, end);
    if (!(total > 0.0)) return;
    double sum = 0.0;
    for (std::size_t k = begin; k < end; ++k) sum += weight[order_[k]] * sight(k).value;
    for (std::size_t k = begin; k < end; ++k) {
      const Sight& s = sight(k);
      const auto& phi = s.factors;
      const double part = weight[order_[k]] * (sum / total - s.value);
      for (std::size_t t = 0; t < terms_; ++t) b[s.sub][t] += part * phi[t];
    }
  });
  for (std::size_t i = 0; i < subs_; ++i) {
    if (!free[i]) b[i].fill(0.0);
  }
  return b;
}

std::vector<NetworkTerms> NetworkEquations::diagonal() const {
  std::vector<NetworkTerms> d(subs_, NetworkTerms{});
  for_places([&](std::size_t begin, std::size_t end) {
    const double total = weight_of(begin, end);
    if (!(total > 0.0)) return;
    for (std::size_t k = begin; k < end; ++k) {
      const Sight& s = sight(k);
      const auto& phi = s.factors;
      const double w = weight[order_[k]] * (1.0 - weight[order_[k]] / total);
      for (std::size_t t = 0; t < terms_; ++t) d[s.sub][t] += w * phi[t] * phi[t];
    }
  });
  for (auto& terms : d) {
    for (std::size_t t = 0; t < terms_; ++t) terms[t] += rein(t);
  }
  return d;
}

void NetworkEquations::solve(std::vector<NetworkTerms>& x) const {
  // The diagonal as preconditioner makes the iteration indifferent to units and weights.
  const auto d = diagonal();
  const auto preconditioned = [&](const std::vector<NetworkTerms>& r) {
    std::vector<NetworkTerms> z(subs_, NetworkTerms{});
    for (std::size_t i = 0; i < subs_; ++i) {
      for (std::size_t t = 0; t < terms_; ++t) z[i][t] = d[i][t] > 0.0 ? r[i][t] / d[i][t] : 0.0;
    }
    return z;
  };
  auto r = right_side();
  constexpr double relative = 1e-9;  // of the norm
  const double goal = relative * relative * inner(r, preconditioned(r));
  std::vector<NetworkTerms> q(subs_, NetworkTerms{});
  apply(x, q);
  add(r, -1.0, q);
  auto z = preconditioned(r);
  auto p = z;
  double rho = inner(r, z);
  const std::size_t most_steps = 60 + 12 * std::min<std::size_t>(subs_ * terms_, 200);
  for (std::size_t step = 0; step < most_steps && rho > goal; ++step) {
    apply(p, q);
    const double along = inner(p, q);
    if (!(along > 0.0)) break;
    add(x, rho / along, p);
    add(r, -rho / along, q);
    z = preconditioned(r);
    const double next = inner(r, z);
    for (std::size_t i = 0; i < subs_; ++i) {
      for (std::size_t t = 0; t < terms_; ++t) p[i][t] = z[i][t] + next / rho * p[i][t];
    }
    rho = next;
  }
}

}  // namespace coldframe::stack
