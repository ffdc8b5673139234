/// \file
/// Means, robust locations and scales. Sums are double, two-pass. Non-finite
/// values must have been removed (see `drop_non_finite`). Empty input gives NaN
/// unless said otherwise. Functions named `..._in_place` reorder their input.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace coldframe {

/// 1/Phi^-1(3/4): makes the median absolute deviation consistent with sigma for a Gaussian.
inline constexpr double mad_to_sigma = 1.482602218505602;
/// Full width at half maximum of a Gaussian over its sigma, 2 sqrt(2 ln 2).
inline constexpr double fwhm_over_sigma = 2.354820045030949;

[[nodiscard]] double mean(std::span<const double> values) noexcept;
[[nodiscard]] double mean(std::span<const float> values) noexcept;
/// Sample standard deviation, denominator n - 1; two passes. NaN for n < 2.
[[nodiscard]] double standard_deviation(std::span<const double> values) noexcept;
[[nodiscard]] double standard_deviation(std::span<const float> values) noexcept;
/// Lag-1 autocorrelation, sum (x_i-m)(x_{i+1}-m) / sum (x_i-m)^2.
[[nodiscard]] double autocorrelation(std::span<const double> values) noexcept;

/// The k-th smallest, counted from 0, of a list of more than k finite values. Fast up to some
/// thousands of them.
[[nodiscard]] float kth_smallest(std::span<const float> values, std::size_t k) noexcept;
/// Median; for an even count the mean of the two middle values.
[[nodiscard]] double median_in_place(std::span<double> values) noexcept;
[[nodiscard]] float median_in_place(std::span<float> values) noexcept;
[[nodiscard]] double median(std::span<const double> values);
[[nodiscard]] float median(std::span<const float> values);
/// Linear-interpolated quantile, q in [0, 1] (type 7 of Hyndman & Fan 1996).
[[nodiscard]] double quantile_in_place(std::span<double> values, double q) noexcept;
/// Median absolute deviation about the median, unscaled.
[[nodiscard]] double median_absolute_deviation(std::span<const double> values);
/// sigma from the MAD with the small-sample factor of Park, Kim & Wang 2022
/// (arXiv 1908.00462) for n <= 10 and n/(n-0.8) above (Croux & Rousseeuw 1992).
[[nodiscard]] double robust_sigma(std::span<const double> values);
/// Factor by which 1.4826 MAD of n Gaussian values must be multiplied on average to give sigma.
[[nodiscard]] double mad_bias_factor(std::size_t n) noexcept;

/// c4(n) = E[s]/sigma of n Gaussian values, s with denominator n - 1: divide s by it.
[[nodiscard]] double sd_bias_factor(std::size_t n) noexcept;

/// Biweight location and scale (Beers, Flynn & Gebhardt 1990, AJ 100, 32).
[[nodiscard]] double biweight_location(std::span<const double> values, double c = 6.0);
[[nodiscard]] double biweight_scale(std::span<const double> values, double c = 9.0);

/// Winsorised mean and sd of ISO 13528 Algorithm A (Huber), to convergence.
struct HuberEstimate {
  double location = 0.0;
  double scale = 0.0;
};
[[nodiscard]] HuberEstimate huber_algorithm_a(std::span<const double> values);

/// Iterated clipping about a centre. Below kappa = sqrt(3) clipping to convergence
/// has no end but the empty sample (the sd of a uniform piece is its half-width over
/// sqrt 3): the cap on the passes and the last value kept are all that stops it.
struct ClipOptions {
  double kappa_low = 3.0;
  double kappa_high = 3.0;
  int max_iterations = 20;  ///< passes; stops early when nothing more is cut
  bool use_median = true;   ///< centre: median, else mean
  /// Scale: 1.4826 MAD (the sd where that is zero), else sd with denominator n.
  bool use_mad = false;
};
struct ClippedStatistics {
  double mean = 0.0;
  double median = 0.0;
  double sd = 0.0;  ///< denominator n, of the survivors (not corrected for truncation)
  std::size_t kept = 0;
};
[[nodiscard]] ClippedStatistics sigma_clipped(std::span<const double> values,
                                              const ClipOptions& options);

/// Noise of a row or image from second differences with a gap,
/// 0.6052697 median|2x_i - x_{i-2} - x_{i+2}| (Stoehr et al. 2008, ASP 394, 505):
/// zero on ramps, blind to sources wider than a few pixels. NaN for n < 5.
[[nodiscard]] double noise_from_differences(std::span<const float> row);

/// Copies the finite values.
[[nodiscard]] std::vector<double> drop_non_finite(std::span<const float> values);

}  // namespace coldframe
