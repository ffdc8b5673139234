#include "coldframe/stack/network.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "network_equations.hpp"

namespace coldframe::stack {
namespace {

// Which subs hang together.
class Sets {
 public:
  explicit Sets(std::size_t count) : parent_(count) {
    std::iota(parent_.begin(), parent_.end(), std::size_t{0});
  }
  std::size_t find(std::size_t i) {
    while (parent_[i] != i) i = parent_[i] = parent_[parent_[i]];
    return i;
  }
  void join(std::size_t a, std::size_t b) { parent_[find(a)] = find(b); }

 private:
  std::vector<std::size_t> parent_;
};

using Meeting = std::pair<std::size_t, std::size_t>;

// One entry for every place where two sets see the same.
std::vector<Meeting> meetings_of(const NetworkEquations& equations, Sets& sets) {
  std::vector<Meeting> meetings;
  std::vector<std::size_t> here;
  equations.for_places([&](std::size_t begin, std::size_t end) {
    here.clear();
    for (std::size_t k = begin; k < end; ++k) here.push_back(sets.find(equations.sight(k).sub));
    std::sort(here.begin(), here.end());
    here.erase(std::unique(here.begin(), here.end()), here.end());
    for (std::size_t a = 0; a + 1 < here.size(); ++a) {
      for (std::size_t b = a + 1; b < here.size(); ++b) meetings.emplace_back(here[a], here[b]);
    }
  });
  std::sort(meetings.begin(), meetings.end());
  return meetings;
}

// Sets that share enough places become one; they grow, so passes go on until nothing joins.
Sets joined_sets(const NetworkEquations& equations, std::size_t subs, std::size_t least) {
  Sets sets(subs);
  for (bool joined = true; joined;) {
    joined = false;
    const auto meetings = meetings_of(equations, sets);
    for (std::size_t k = 0; k < meetings.size();) {
      const auto end = std::upper_bound(meetings.begin() + static_cast<std::ptrdiff_t>(k),
                                        meetings.end(), meetings[k]) -
                       meetings.begin();
      if (static_cast<std::size_t>(end) - k >= least) {
        sets.join(meetings[k].first, meetings[k].second);
        joined = true;
      }
      k = static_cast<std::size_t>(end);
    }
  }
  return sets;
}

// 1/(variance + excess^2), nothing for outliers and for subs that take no part.
void set_weights(std::span<const Sight> sights, const std::vector<bool>& takes_part,
                 const std::vector<double>& residual, double excess, std::vector<double>& weight) {
  constexpr double kappa = 3.5;
  for (std::size_t k = 0; k < sights.size(); ++k) {
    const double variance = std::max(sights[k].variance, 1e-24) + excess * excess;
    const bool out = residual[k] * residual[k] > kappa * kappa * variance;
    weight[k] = out || !takes_part[sights[k].sub] ? 0.0 : 1.0 / variance;
  }
}

// From the weighted mean of all who see the place.
void find_residuals(const NetworkEquations& equations, const std::vector<NetworkTerms>& x,
                    std::vector<double>& residual) {
  equations.for_places([&](std::size_t begin, std::size_t end) {
    const double total = equations.weight_of(begin, end);
    if (!(total > 0.0)) return;
    double sum = 0.0;
    for (std::size_t k = begin; k < end; ++k) {
      sum += equations.weight[equations.order()[k]] * equations.corrected(k, x);
    }
    for (std::size_t k = begin; k < end; ++k) {
      residual[equations.order()[k]] = equations.corrected(k, x) - sum / total;
    }
  });
}

// Scatter beyond the stated variances. A residual is from a mean that holds the sight itself: its
// variance is smaller by the sight's own share.
double excess_of(const NetworkEquations& equations, std::span<const Sight> sights,
                 const std::vector<double>& residual) {
  std::vector<double> distances, stated;
  equations.for_places([&](std::size_t begin, std::size_t end) {
    const double total = equations.weight_of(begin, end);
    for (std::size_t k = begin; k < end; ++k) {
      const std::size_t i = equations.order()[k];
      const double w = equations.weight[i];
      if (!(w > 0.0) || w > 0.95 * total) continue;
      distances.push_back(std::fabs(residual[i]) / std::sqrt(1.0 - w / total));
      stated.push_back(sights[i].variance);
    }
  });
  constexpr std::size_t enough = 8;
  if (distances.size() < enough) return 0.0;
  const double sigma = mad_to_sigma * median_in_place(distances);
  return std::sqrt(std::max(sigma * sigma - median_in_place(stated), 0.0));
}

void check(std::span<const Sight> sights, std::size_t subs, std::size_t places,
           const NetworkOptions& options) {
  for (const Sight& s : sights) {
    if (s.sub >= subs || s.place >= places) {
      throw Error(ErrorKind::usage, "", "a sight names a sub or a place that is not there", "");
    }
  }
  if (options.fixed >= subs || options.terms < 1 || options.terms > most_network_terms) {
    throw Error(ErrorKind::usage, "", "a network cannot be adjusted with these options", "");
  }
}

void tell_errors(const NetworkEquations& equations, const NetworkOptions& options,
                 NetworkFit& fit) {
  const std::size_t subs = fit.corrections.size();
  fit.shared.assign(subs, 0);
  equations.for_places([&](std::size_t begin, std::size_t end) {
    const auto used = [&](std::size_t k) { return equations.weight[equations.order()[k]] > 0.0; };
    std::size_t here = 0;
    for (std::size_t k = begin; k < end; ++k) here += used(k) ? 1U : 0U;
    for (std::size_t k = begin; k < end; ++k) {
      if (here > 1 && used(k)) ++fit.shared[equations.sight(k).sub];
    }
  });
  const auto d = equations.diagonal();
  fit.first_error.assign(subs, 0.0);
  for (std::size_t i = 0; i < subs; ++i) {
    if (i != options.fixed && d[i][0] > 0.0) fit.first_error[i] = 1.0 / std::sqrt(d[i][0]);
  }
}

}  // namespace

double NetworkFit::at(std::size_t sub, const NetworkTerms& factors) const noexcept {
  return term_product(corrections[sub], factors, factors.size());
}

NetworkFit adjust_network(std::span<const Sight> sights, std::size_t subs, std::size_t places,
                          const NetworkOptions& options) {
  check(sights, subs, places, options);
  NetworkFit fit;
  fit.corrections.assign(subs, NetworkTerms{});
  NetworkEquations equations(sights, subs, options);
  Sets sets = joined_sets(equations, subs, std::max<std::size_t>(options.least_shared, 1));
  fit.linked.assign(subs, false);
  std::vector<bool> takes_part(subs, false);
  for (std::size_t i = 0; i < subs; ++i) {
    fit.linked[i] = sets.find(i) == sets.find(options.fixed);
    const bool held = std::isfinite(options.expected_size[0]);
    takes_part[i] = fit.linked[i] || held;
    equations.free[i] = i != options.fixed && takes_part[i];
  }
  std::vector<double> residual(sights.size(), 0.0);
  constexpr int rounds = 6;
  for (int round = 0; round < rounds; ++round) {
    set_weights(sights, takes_part, residual, fit.excess, equations.weight);
    equations.solve(fit.corrections);
    find_residuals(equations, fit.corrections, residual);
    fit.excess = excess_of(equations, sights, residual);
  }
  tell_errors(equations, options, fit);
  return fit;
}

}  // namespace coldframe::stack
