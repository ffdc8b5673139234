#include "coldframe/pipeline/depth.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline {
namespace {

constexpr double darkest = 0.6;          // of the blocks: free of objects, most likely
constexpr std::size_t enough = 30;       // blocks
constexpr double mad_efficiency = 1.65;  // sd of 1.4826 MAD over that of the sample sd

double mean_of(std::span<const float> row, std::span<const double> weights, std::size_t first,
               std::size_t count, std::size_t step) {
  double sum = 0.0, weight = 0.0;
  for (std::size_t k = 0; k < count; ++k) {
    const std::size_t i = first + k * step;
    sum += weights[i] * static_cast<double>(row[i]);  // NaN stays
    weight += weights[i];
  }
  return sum / weight;
}

/// Rows that every sub shows, the darker ones.
std::vector<std::size_t> blank_rows(PlaneView<const float> blocks,
                                    std::span<const double> weights) {
  std::vector<double> levels;
  std::vector<std::size_t> whole_rows;
  for (int b = 0; b < blocks.height(); ++b) {
    const double level = mean_of(blocks.row(b), weights, 0, weights.size(), 1);
    if (!std::isfinite(level)) continue;
    levels.push_back(level);
    whole_rows.push_back(static_cast<std::size_t>(b));
  }
  if (levels.size() < enough) return {};
  std::vector<double> sorted = levels;
  const double limit = quantile_in_place(sorted, darkest);
  std::vector<std::size_t> rows;
  for (std::size_t k = 0; k < levels.size(); ++k) {
    if (levels[k] <= limit) rows.push_back(whole_rows[k]);
  }
  return rows;
}

/// Half the squared scatter of the difference between the means of two sets that take turns from
/// sub `first` on: the variance of the mean of `count` subs.
double variance_of_mean(PlaneView<const float> blocks, std::span<const double> weights,
                        std::span<const std::size_t> rows, std::size_t first, std::size_t count) {
  std::vector<double> differences;
  for (const auto b : rows) {
    const auto row = blocks.row(static_cast<int>(b));
    differences.push_back(mean_of(row, weights, first, count, 2) -
                          mean_of(row, weights, first + 1, count, 2));
  }
  const double sd = robust_sigma(differences);
  return 0.5 * sd * sd;
}

void fit_slope(DepthGrowth& growth) {
  double w = 0.0, x = 0.0, y = 0.0, xx = 0.0, xy = 0.0;
  for (const auto& step : growth.steps) {
    if (!(step.noise > 0.0)) continue;
    const double relative = step.error / step.noise;
    const double weight = 1.0 / (relative * relative);
    const double u = std::log(step.subs), v = std::log(step.noise);
    w += weight;
    x += weight * u;
    y += weight * v;
    xx += weight * u * u;
    xy += weight * u * v;
  }
  const double spread = xx - x * x / w;
  if (!(spread > 0.0)) return;
  growth.slope = (xy - x * y / w) / spread;
  growth.slope_error = 1.0 / std::sqrt(spread);
}

}  // namespace

DepthGrowth measure_growth(PlaneView<const float> blocks, std::span<const double> weights) {
  DepthGrowth growth;
  const std::size_t subs = weights.size();
  if (subs < 4) return growth;
  const auto rows = blank_rows(blocks, weights);
  growth.blocks = static_cast<int>(rows.size());
  if (rows.size() < enough) return growth;
  for (std::size_t count = 1; 2 * count <= subs; count *= 2) {
    const std::size_t pairs = subs / (2 * count);
    double variance = 0.0;
    for (std::size_t p = 0; p < pairs; ++p) {
      variance += variance_of_mean(blocks, weights, rows, 2 * count * p, count);
    }
    const double noise = std::sqrt(variance / static_cast<double>(pairs));
    const auto differences = static_cast<double>(rows.size() * pairs);
    growth.steps.push_back(
        {static_cast<int>(count), noise, noise * mad_efficiency / std::sqrt(2.0 * differences)});
  }
  // All of them: the mean of two halves has half the variance of one.
  const double half = variance_of_mean(blocks, weights, rows, 0, subs / 2);
  const double noise =
      std::sqrt(0.5 * half * static_cast<double>(subs / 2 * 2) / static_cast<double>(subs));
  growth.steps.push_back(
      {static_cast<int>(subs), noise,
       noise * mad_efficiency / std::sqrt(2.0 * static_cast<double>(rows.size()))});
  fit_slope(growth);
  return growth;
}

double gain_mag(double independent, double common, double slope, int subs, int more) {
  const double grown = static_cast<double>(subs + more) / static_cast<double>(std::max(subs, 1));
  const double later = independent * std::pow(grown, 2.0 * slope) + common;
  const double now = independent + common;
  return now > 0.0 && later > 0.0 ? 1.25 * std::log10(now / later) : 0.0;
}

}  // namespace coldframe::pipeline
