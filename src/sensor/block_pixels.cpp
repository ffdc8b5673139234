#include "sensor/block_pixels.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

constexpr double hit_kappa = 6.0;
constexpr double odd_kappa = 8.0;
constexpr double odd_share = 0.15;
constexpr int tile = 8;
/// A lamp that fades further than this between two frames is no lamp.
constexpr double largest_ratio = 4.0;

}  // namespace

void BlockPixels::take(PlaneView<const float> a, PlaneView<const float> b, int cell, int site) {
  const int dx = site & 1;
  const int dy = site >> 1;
  width_ = (a.width() - dx + cell - 1) / cell;
  height_ = (a.height() - dy + cell - 1) / cell;
  a_.clear();
  b_.clear();
  for (int y = 0; y < height_; ++y) {
    for (int x = 0; x < width_; ++x) {
      a_.push_back(a(x * cell + dx, y * cell + dy));
      b_.push_back(b(x * cell + dx, y * cell + dy));
    }
  }
}

BlockPixels::Counted BlockPixels::mark_usable(double saturation_adu) {
  Counted counted;
  counts_.assign(a_.size(), 0);
  for (std::size_t i = 0; i < a_.size(); ++i) {
    if (!std::isfinite(a_[i]) || !std::isfinite(b_[i])) continue;
    ++counted.finite;
    if (static_cast<double>(std::max(a_[i], b_[i])) >= saturation_adu) {
      ++counted.saturated;
    } else {
      counts_[i] = 1;
    }
  }
  return counted;
}

void BlockPixels::scale(double zero, bool lit) {
  double sum_a = 0.0;
  double sum_b = 0.0;
  double count = 0.0;
  for (std::size_t i = 0; i < a_.size(); ++i) {
    if (counts_[i] == 0) continue;
    sum_a += static_cast<double>(a_[i]);
    sum_b += static_cast<double>(b_[i]);
    count += 1.0;
  }
  mean_a_ = count > 0.0 ? sum_a / count : 0.0;
  mean_b_ = count > 0.0 ? sum_b / count : 0.0;
  const double light_a = mean_a_ - zero;
  const double light_b = mean_b_ - zero;
  ratio_ = lit && light_a > 0.0 && light_b > 0.0
               ? std::clamp(light_a / light_b, 1.0 / largest_ratio, largest_ratio)
               : 1.0;
  signal_ = lit ? 0.5 * (light_a + light_b) : 0.0;
  const double down = 1.0 / std::sqrt(ratio_);
  const double up = std::sqrt(ratio_);
  difference_.resize(a_.size());
  for (std::size_t i = 0; i < a_.size(); ++i) {
    difference_[i] =
        (static_cast<double>(a_[i]) - mean_a_) * down - (static_cast<double>(b_[i]) - mean_b_) * up;
  }
}

template <typename Value>
double BlockPixels::median_of(Value&& value) {
  work_.clear();
  for (std::size_t i = 0; i < a_.size(); ++i) {
    if (counts_[i] != 0) work_.push_back(value(i));
  }
  return median_in_place(std::span<double>(work_));
}

std::size_t BlockPixels::leave_out_odd_pixels(double code_step) {
  const auto sum = [&](std::size_t i) {
    return 0.5 * (static_cast<double>(a_[i]) + static_cast<double>(b_[i]));
  };
  const double centre = median_of([&](std::size_t i) { return difference_[i]; });
  const double level = median_of(sum);
  double sigma =
      mad_to_sigma * median_of([&](std::size_t i) { return std::abs(difference_[i] - centre); });
  // With little noise nearly all codes are the same: a step is no hit.
  sigma = std::max(sigma, 0.35 * code_step);
  double clipped = centre;
  for (int pass = 0; pass < 2; ++pass) {
    double s1 = 0.0;
    double s2 = 0.0;
    double n = 0.0;
    for (std::size_t i = 0; i < a_.size(); ++i) {
      if (counts_[i] == 0 || std::abs(difference_[i] - clipped) > hit_kappa * sigma) continue;
      s1 += difference_[i] - centre;
      s2 += (difference_[i] - centre) * (difference_[i] - centre);
      n += 1.0;
    }
    if (n < 2.0) break;
    clipped = centre + s1 / n;
    sigma = std::max(std::sqrt(std::max(s2 / n - s1 * s1 / (n * n), 0.0)), 0.35 * code_step);
  }
  // sigma is that of a difference; of one frame it is sqrt(2) less.
  const double reach = std::max(odd_kappa * sigma / std::sqrt(2.0), odd_share * signal_);
  std::size_t left = 0;
  for (std::size_t i = 0; i < a_.size(); ++i) {
    if (counts_[i] == 0) continue;
    const bool odd =
        std::abs(difference_[i] - clipped) > hit_kappa * sigma || std::abs(sum(i) - level) > reach;
    if (odd) counts_[i] = 0;
    left += odd ? 0 : 1;
  }
  return left;
}

double BlockPixels::product_mean(int dx, int dy) const {
  double sum = 0.0;
  double count = 0.0;
  for (int y = 0; y + dy < height_; ++y) {
    for (int x = std::max(-dx, 0); x + std::max(dx, 0) < width_; ++x) {
      const auto i = static_cast<std::size_t>(y * width_ + x);
      const auto j = static_cast<std::size_t>((y + dy) * width_ + x + dx);
      if (counts_[i] == 0 || counts_[j] == 0) continue;
      sum += difference_[i] * difference_[j];
      count += 1.0;
    }
  }
  return count > 0.0 ? sum / count : 0.0;
}

BlockSums BlockPixels::sums() const {
  BlockSums result;
  for (std::size_t i = 0; i < a_.size(); ++i) {
    if (counts_[i] != 0) result.squares += difference_[i] * difference_[i];
  }
  result.along_rows = product_mean(1, 0);
  result.along_columns = product_mean(0, 1);
  result.diagonal = 0.5 * (product_mean(1, 1) + product_mean(-1, 1));
  return result;
}

// Plane fitted on a full square tile: the three terms are orthogonal about its centre.
void BlockPixels::add_tile(int x0, int y0, PatternSums& sums) const {
  constexpr double count = tile * tile;
  constexpr double lever = tile * tile * (tile * tile - 1) / 12.0;  // sum of u^2
  double a0 = 0.0, au = 0.0, av = 0.0, b0 = 0.0, bu = 0.0, bv = 0.0, ab = 0.0;
  for (int y = 0; y < tile; ++y) {
    for (int x = 0; x < tile; ++x) {
      const auto i = static_cast<std::size_t>((y0 + y) * width_ + x0 + x);
      if (counts_[i] == 0) return;
      const double a = static_cast<double>(a_[i]) - mean_a_;
      const double b = static_cast<double>(b_[i]) - mean_b_;
      const double u = x - 0.5 * (tile - 1);
      const double v = y - 0.5 * (tile - 1);
      a0 += a;
      au += a * u;
      av += a * v;
      b0 += b;
      bu += b * u;
      bv += b * v;
      ab += a * b;
    }
  }
  sums.products += ab - a0 * b0 / count - (au * bu + av * bv) / lever;
  sums.freedom += count - 3.0;
}

PatternSums BlockPixels::pattern() const {
  PatternSums sums;
  for (int y = 0; y + tile <= height_; y += tile) {
    for (int x = 0; x + tile <= width_; x += tile) add_tile(x, y, sums);
  }
  return sums;
}

}  // namespace coldframe::sensor
