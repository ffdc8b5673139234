// Damped Richardson-Lucy iterations.
#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/view/enhance.hpp"
#include "filled_plane.hpp"
#include "row_noises.hpp"

namespace coldframe::view {
namespace {

constexpr int rows_per_band = 32;

struct Star {
  int radius = 0;
  std::vector<float> taps;  ///< (2 radius + 1)^2, sum 1, the same turned by 180 degrees
};

Star moffat_star(double fwhm, double beta) {
  Star star;
  star.radius = std::max(2, static_cast<int>(std::ceil(2.0 * fwhm)));
  const double core = 0.5 * fwhm / std::sqrt(std::exp2(1.0 / beta) - 1.0);
  constexpr int parts = 5;  // of a pixel's side: its light is a mean over its area
  std::vector<double> taps;
  double sum = 0.0;
  for (int y = -star.radius; y <= star.radius; ++y) {
    for (int x = -star.radius; x <= star.radius; ++x) {
      double light = 0.0;
      for (int j = 0; j < parts; ++j) {
        for (int i = 0; i < parts; ++i) {
          const double u = x + (i + 0.5) / parts - 0.5;
          const double v = y + (j + 0.5) / parts - 0.5;
          light += std::pow(1.0 + (u * u + v * v) / (core * core), -beta);
        }
      }
      taps.push_back(light);
      sum += light;
    }
  }
  for (const double light : taps) star.taps.push_back(static_cast<float>(light / sum));
  return star;
}

/// `in` seen through the star; the frame's edge pixels go on beyond it.
void blur(PlaneView<const float> in, const Star& star, PlaneView<float> out, Threads threads) {
  const int r = star.radius;
  const auto width = static_cast<std::size_t>(in.width());
  parallel_bands(threads, in.height(), rows_per_band, [&](int y0, int y1) {
    std::vector<float> padded(width + 2 * static_cast<std::size_t>(r));
    for (int y = y0; y < y1; ++y) {
      const auto to = out.row(y);
      std::fill(to.begin(), to.end(), 0.0F);
      for (int j = -r; j <= r; ++j) {
        const auto from = in.row(std::clamp(y + j, 0, in.height() - 1));
        std::fill(padded.begin(), padded.end(), from.back());
        std::fill_n(padded.begin(), r, from.front());
        std::copy(from.begin(), from.end(), padded.begin() + r);
        const float* taps = star.taps.data() + (j + r) * (2 * r + 1);
        for (int i = 0; i <= 2 * r; ++i) {
          const float weight = taps[i];
          const float* source = padded.data() + i;
          for (std::size_t x = 0; x < width; ++x) to[x] += weight * source[x];
        }
      }
    }
  });
}

// White's damping: 1 where data and model differ by more than the limit, towards 0 below it.
float damping(float difference, float limit) {
  constexpr float order = 10.0F;
  const float u = std::min(difference * difference / (limit * limit), 1.0F);
  return std::pow(u, order - 1.0F) * (order - (order - 1.0F) * u);
}

/// Noise of a pixel of sky: median over the rows of an estimate that is blind to smooth light.
double sky_noise(PlaneView<const float> plane) {
  constexpr int rows = 64;
  auto noise = row_noises(plane, rows);
  return noise.empty() ? 0.0 : median_in_place(noise);
}

double median_level(PlaneView<const float> plane) {
  std::vector<double> values;
  for (int y = 0; y < plane.height(); y += 3) {
    for (const float v : plane.row(y)) values.push_back(static_cast<double>(v));
  }
  return median_in_place(values);
}

/// Least of the means of 3 x 3 pixels within `radius` of each pixel (a square), but no more than
/// the pixel itself: what lies about a star, or under it.
Grid<float> lower_bound_of(PlaneView<const float> data, int radius) {
  const int width = data.width(), height = data.height();
  Grid<float> mean(data.size()), along(data.size()), bound(data.size());
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      float sum = 0.0F;
      for (int v = -1; v <= 1; ++v) {
        for (int u = -1; u <= 1; ++u)
          sum += data(std::clamp(x + u, 0, width - 1), std::clamp(y + v, 0, height - 1));
      }
      mean(x, y) = sum / 9.0F;
    }
  }
  for (int y = 0; y < height; ++y) {
    const auto row = mean.row(y);
    for (int x = 0; x < width; ++x) {
      along(x, y) = *std::min_element(row.begin() + std::max(x - radius, 0),
                                      row.begin() + std::min(x + radius, width - 1) + 1);
    }
  }
  for (int y = 0; y < height; ++y) {
    std::ranges::copy(data.row(y), bound.row(y).begin());
    const auto to = bound.row(y);
    for (int v = std::max(y - radius, 0); v <= std::min(y + radius, height - 1); ++v) {
      for (std::size_t x = 0; x < to.size(); ++x) to[x] = std::min(to[x], along.row(v)[x]);
    }
  }
  return bound;
}

/// Data on a pedestal that holds the sky's noise above zero, since light cannot be negative.
class Restoration {
 public:
  Restoration(PlaneView<const float> plane, const SharpenOptions& options, Threads threads)
      : threads_(threads),
        star_(moffat_star(options.fwhm_px, options.beta)),
        data_(filled_plane(plane)),
        seen_(plane.size()),
        correction_(plane.size()) {
    const double noise = sky_noise(data_.view());
    const double sky = median_level(data_.view());
    const double unit = noise > 0.0 ? noise : std::max(std::abs(sky), 1.0) * 1e-6;
    floor_ = static_cast<float>(sky - 8.0 * unit);
    least_ = static_cast<float>(0.01 * unit);
    limit_ = static_cast<float>(std::max(options.damping_sigma * noise, 1e-3 * unit));
    sky_light_ = static_cast<float>(sky) - floor_;
    for (int y = 0; y < plane.height(); ++y) {
      for (float& v : data_.row(y)) v = std::max(v - floor_, least_);
    }
    model_ = data_.clone();
    bound_ = lower_bound_of(data_.view(), static_cast<int>(std::ceil(2.0 * options.fwhm_px)));
  }

  void step() {
    blur(model_.view(), star_, seen_.view(), threads_);
    for (int y = 0; y < seen_.height(); ++y) to_ratio(seen_.row(y), data_.row(y));
    blur(seen_.view(), star_, correction_.view(), threads_);
    for (int y = 0; y < model_.height(); ++y) {
      const auto to = model_.row(y);
      // No darker than what lies about: stars get no dark rims.
      for (std::size_t x = 0; x < to.size(); ++x)
        to[x] = std::max(to[x] * std::max(correction_.row(y)[x], 0.0F), bound_.row(y)[x]);
    }
  }

  void give(PlaneView<float> plane) const {
    for (int y = 0; y < plane.height(); ++y) {
      const auto to = plane.row(y);
      for (std::size_t x = 0; x < to.size(); ++x) {
        if (std::isfinite(to[x])) to[x] = model_.row(y)[x] + floor_;
      }
    }
  }

 private:
  // The limit grows with the light, as its photons' noise does.
  void to_ratio(std::span<float> seen, std::span<const float> data) const {
    for (std::size_t x = 0; x < seen.size(); ++x) {
      const float growth = std::sqrt(std::max(seen[x] / sky_light_, 1.0F));
      const float difference = data[x] - seen[x];
      seen[x] =
          1.0F + damping(difference, limit_ * growth) * difference / std::max(seen[x], least_);
    }
  }

  Threads threads_;
  Star star_;
  Grid<float> data_, model_, bound_, seen_, correction_;
  float floor_ = 0.0F, least_ = 0.0F, limit_ = 0.0F, sky_light_ = 1.0F;
};

}  // namespace

void sharpen(PlaneView<float> plane, const SharpenOptions& options, Threads threads) {
  if (!(options.fwhm_px >= 0.5 && options.fwhm_px <= 50.0)) {
    throw Error(ErrorKind::usage, "", "a star width outside 0.5 to 50 px cannot be undone",
                "give the width of the result's stars");
  }
  if (plane.empty() || options.iterations < 1) return;
  Restoration restoration(plane, options, threads);
  for (int k = 0; k < options.iterations; ++k) restoration.step();
  restoration.give(plane);
}

}  // namespace coldframe::view
