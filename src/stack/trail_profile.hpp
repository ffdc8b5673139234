/// \file
/// Light across a trail: how broad it is and how far out it must be masked.
#pragma once

#include <algorithm>
#include <cmath>
#include <vector>

#include "trail_fit.hpp"

namespace coldframe::stack::detail {

/// Mean cross profile in the true (not clipped) residual, and from it the full width to mask.
/// `residual` is upright, `picture` and `fit` are turned when `turned` says so.
class CrossProfile {
 public:
  CrossProfile(const TrailPicture& picture, PlaneView<const float> residual, const LineFit& fit,
               bool turned)
      : fit_(fit) {
    sum_.assign(2 * reach + 1, 0.0);
    count_.assign(2 * reach + 1, 0.0);
    const double cosine = 1.0 / std::sqrt(1.0 + fit.line.slope * fit.line.slope);
    const int span = static_cast<int>(std::ceil((reach + 1) / cosine));
    for (int x = fit.x0; x < fit.x1; ++x) {
      const double centre = fit.line.start + fit.line.slope * x;
      const int middle = static_cast<int>(std::round(centre));
      for (int y = std::max(middle - span, 0); y <= std::min(middle + span, picture.height() - 1);
           ++y) {
        if (picture.good(x, y) == 0.0F) continue;
        const double p = std::round((y - centre) * cosine) + reach;
        if (p < 0.0 || p > 2.0 * reach) continue;
        const float value = turned ? residual(y, x) : residual(x, y);
        sum_[static_cast<std::size_t>(p)] += static_cast<double>(value);
        count_[static_cast<std::size_t>(p)] += 1.0;
      }
    }
  }
  /// Out to where the mean light has fallen under `faintest`, or is no longer seen;
  /// never less than three sigma of the fitted profile.
  [[nodiscard]] double full_width(double faintest) const noexcept {
    const double least = 3.0 * fit_.sigma + 0.5;
    return 2.0 * std::max({least, side(1, faintest), side(-1, faintest)});
  }
  /// Between the places where the mean light falls to half its peak.
  [[nodiscard]] double fwhm() const noexcept {
    const auto at = [&](int d) {
      const auto i = static_cast<std::size_t>(reach + d);
      return count_[i] > 0.0 ? sum_[i] / count_[i] : 0.0;
    };
    double width = 0.0;
    for (const int direction : {1, -1}) {
      int d = 1;
      while (d < reach && at(direction * d) > 0.5 * peak()) ++d;
      const double before = at(direction * (d - 1));
      const double here = at(direction * d);
      width += d - 1 + (before > here ? (before - 0.5 * peak()) / (before - here) : 1.0);
    }
    return width;
  }
  [[nodiscard]] double peak() const noexcept {
    const auto middle = static_cast<std::size_t>(reach);
    return count_[middle] > 0.0 ? sum_[middle] / count_[middle] : 0.0;
  }

 private:
  static constexpr int reach = 80;

  [[nodiscard]] double side(int direction, double faintest) const noexcept {
    double distance = 0.5;
    for (int d = 1; d + 1 <= reach; ++d) {
      double sum = 0.0;
      double count = 0.0;
      for (int k = 0; k < 2; ++k) {
        const auto i = static_cast<std::size_t>(reach + direction * (d + k));
        sum += sum_[i];
        count += count_[i];
      }
      if (count < 1.0 || sum / count < std::max(faintest, 2.5 / std::sqrt(count))) break;
      distance = d + 1.5;
    }
    return distance;
  }

  LineFit fit_;
  std::vector<double> sum_;
  std::vector<double> count_;
};

}  // namespace coldframe::stack::detail
