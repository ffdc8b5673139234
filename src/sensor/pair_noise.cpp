#include "sensor/pair_noise.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "sensor/robust_mean.hpp"

namespace coldframe::sensor {
namespace {

/// Fewest samples of a bin.
constexpr std::size_t least_samples = 20;
/// A pixel is hot beyond this many frame noises; bins above it double in signal.
constexpr double hot_kappa = 8.0;
constexpr std::array<double, 8> flat_edges{0.0, 0.1, 0.25, 0.4, 0.55, 0.75, 0.9, 1.0};

struct Sums {
  double s11 = 0.0, s12 = 0.0, s22 = 0.0, t1 = 0.0, t2 = 0.0;
};

Sums normal_equations(std::span<const VarianceBin> bins, const NoiseModel& now) {
  Sums sums;
  for (const VarianceBin& bin : bins) {
    const double expected = std::max(now.a * bin.x1 + now.b * bin.x2, 1e-6 * bin.variance);
    if (!(expected > 0.0)) continue;
    // Variance of a variance estimate of n Gaussian differences: 2 var^2 / n.
    const double weight = bin.pixels / (2.0 * expected * expected);
    sums.s11 += weight * bin.x1 * bin.x1;
    sums.s12 += weight * bin.x1 * bin.x2;
    sums.s22 += weight * bin.x2 * bin.x2;
    sums.t1 += weight * bin.x1 * bin.variance;
    sums.t2 += weight * bin.x2 * bin.variance;
  }
  return sums;
}

NoiseModel solve(const Sums& sums, bool photon_limited) {
  const NoiseModel only_a{sums.s11 > 0.0 ? sums.t1 / sums.s11 : 0.0, 0.0};
  const NoiseModel only_b{0.0, sums.s22 > 0.0 ? sums.t2 / sums.s22 : 0.0};
  const double determinant = sums.s11 * sums.s22 - sums.s12 * sums.s12;
  if (!(determinant > 1e-9 * sums.s11 * sums.s22)) return photon_limited ? only_b : only_a;
  const NoiseModel both{(sums.t1 * sums.s22 - sums.t2 * sums.s12) / determinant,
                        (sums.t2 * sums.s11 - sums.t1 * sums.s12) / determinant};
  if (both.a < 0.0) return only_b;
  const double error_b = std::sqrt(sums.s11 / determinant);
  if (both.b < (photon_limited ? 0.0 : 2.0 * error_b)) return only_a;
  return both;
}

/// Median of the square of a standard normal deviate.
constexpr double median_square = 0.4549364;

/// Slope from the hot pixels alone, by the median so that unstable ones do not matter; 0 without
/// any.
double hot_slope(std::span<const PairNoise> pairs, double a) {
  std::vector<double> slopes;
  for (const PairNoise& pair : pairs) {
    for (const PairNoise::Hot& hot : pair.hot) {
      const auto d = static_cast<double>(hot.difference);
      slopes.push_back((0.5 * d * d / median_square - a) / static_cast<double>(hot.signal));
    }
  }
  if (slopes.size() < least_samples) return 0.0;
  return std::max(median_in_place(std::span<double>(slopes)), 0.0);
}

/// Every hot pixel as a bin of its own: its squared difference is an (unbiased, noisy) variance.
/// Those far beyond the model are unstable.
void add_hot_bins(std::span<const PairNoise> pairs, const NoiseModel& model,
                  std::vector<VarianceBin>& bins) {
  constexpr double clip = 25.0;
  for (const PairNoise& pair : pairs) {
    for (const PairNoise::Hot& hot : pair.hot) {
      const auto signal = static_cast<double>(hot.signal);
      const auto d = static_cast<double>(hot.difference);
      const double expected = 2.0 * (model.a + model.b * signal);
      if (d * d <= clip * expected) bins.push_back({d * d, 2.0, 2.0 * signal, 1.0});
    }
  }
}

/// Start of the iteration: each bin weighted by its own variance.
NoiseModel first_guess(std::span<const VarianceBin> bins, bool photon_limited) {
  Sums sums;
  for (const VarianceBin& bin : bins) {
    const double x = std::max(photon_limited ? bin.x2 : bin.x1, 1e-30);
    const double share = bin.variance / x;
    const VarianceBin one[] = {bin};
    const Sums part =
        normal_equations(one, photon_limited ? NoiseModel{0.0, share} : NoiseModel{share, 0.0});
    sums.s11 += part.s11;
    sums.s12 += part.s12;
    sums.s22 += part.s22;
    sums.t1 += part.t1;
    sums.t2 += part.t2;
  }
  return solve(sums, photon_limited);
}

}  // namespace

PairNoise flat_pair_noise(const std::vector<PairSample>& samples, double level_a, double level_b) {
  PairNoise result;
  std::vector<PairSample> sorted = samples;
  std::sort(sorted.begin(), sorted.end(), [](const PairSample& p, const PairSample& q) {
    const float u = p.a + p.b;
    const float v = q.a + q.b;
    return u != v ? u < v : p.a < q.a;
  });
  const auto size = static_cast<double>(sorted.size());
  std::vector<float> differences;
  for (std::size_t e = 0; e + 1 < flat_edges.size(); ++e) {
    const auto first = static_cast<std::size_t>(flat_edges[e] * size);
    const auto last = static_cast<std::size_t>(flat_edges[e + 1] * size);
    if (last < first + least_samples) continue;
    differences.clear();
    double sum = 0.0;
    for (std::size_t i = first; i < last; ++i) {
      differences.push_back(sorted[i].a - sorted[i].b);
      sum += 0.5 * static_cast<double>(sorted[i].a + sorted[i].b);
    }
    const double signal = std::max(sum / static_cast<double>(last - first), 0.0);
    const RobustMoments moments = robust_moments_in_place(differences);
    result.bins.push_back({moments.variance, 1.0 / (level_a * level_a) + 1.0 / (level_b * level_b),
                           signal * (1.0 / level_a + 1.0 / level_b),
                           static_cast<double>(moments.count)});
  }
  return result;
}

PairNoise dark_pair_noise(const std::vector<PairSample>& samples) {
  PairNoise result;
  if (samples.size() < least_samples) return result;
  std::vector<float> work;
  work.reserve(samples.size());
  for (const PairSample& s : samples) work.push_back(0.5F * (s.a + s.b));
  const float pedestal = median_in_place(std::span<float>(work));
  work.clear();
  for (const PairSample& s : samples) work.push_back(s.a - s.b);
  const double all = robust_moments_in_place(work).variance;
  const auto limit = static_cast<float>(hot_kappa * std::sqrt(0.5 * all));
  work.clear();
  for (const PairSample& s : samples) {
    const float signal = 0.5F * (s.a + s.b) - pedestal;
    if (signal <= limit) {
      work.push_back(s.a - s.b);
    } else if (std::min(s.a, s.b) - pedestal > 0.5F * signal) {
      // Warm in both frames; a particle's hit leaves one of them dark.
      result.hot.push_back({signal, s.a - s.b});
    }
  }
  const RobustMoments bulk = robust_moments_in_place(work);
  result.bins.push_back({bulk.variance, 2.0, 0.0, static_cast<double>(bulk.count)});
  return result;
}

NoiseModel fit_noise(std::span<const PairNoise> pairs, bool photon_limited) {
  std::vector<VarianceBin> bins;
  for (const PairNoise& pair : pairs) bins.insert(bins.end(), pair.bins.begin(), pair.bins.end());
  if (bins.empty()) return {};
  NoiseModel model = first_guess(bins, photon_limited);
  const std::size_t bulk = bins.size();
  const double slope = hot_slope(pairs, model.a);
  if (slope > 0.0) model.b = slope;
  for (int pass = 0; pass < 4; ++pass) {
    bins.resize(bulk);
    if (slope > 0.0) add_hot_bins(pairs, model, bins);
    model = solve(normal_equations(bins, model), photon_limited);
  }
  return model;
}

}  // namespace coldframe::sensor
