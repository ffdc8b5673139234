// Noise-aware smoothing by an undecimated wavelet.
#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "coldframe/view/enhance.hpp"
#include "filled_plane.hpp"

namespace coldframe::view {
namespace {

constexpr int scales = 4;
constexpr int decompositions = 4;
constexpr int rows_per_band = 64;
constexpr std::array<float, 5> spline = {1.0F / 16, 4.0F / 16, 6.0F / 16, 4.0F / 16, 1.0F / 16};

int mirrored(int i, int count) {
  const int period = 2 * count - 2;
  if (period <= 0) return 0;
  i = ((i % period) + period) % period;
  return i < count ? i : period - i;
}

void along_x(PlaneView<const float> in, PlaneView<float> out, int step, Threads threads) {
  parallel_bands(threads, in.height(), rows_per_band, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      const auto from = in.row(y);
      const auto to = out.row(y);
      for (int x = 0; x < in.width(); ++x) {
        float sum = 0.0F;
        for (int k = 0; k < 5; ++k) {
          const auto at = static_cast<std::size_t>(mirrored(x + (k - 2) * step, in.width()));
          sum += spline[static_cast<std::size_t>(k)] * from[at];
        }
        to[static_cast<std::size_t>(x)] = sum;
      }
    }
  });
}

void along_y(PlaneView<const float> in, PlaneView<float> out, int step, Threads threads) {
  parallel_bands(threads, in.height(), rows_per_band, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      const auto to = out.row(y);
      std::fill(to.begin(), to.end(), 0.0F);
      for (int k = 0; k < 5; ++k) {
        const auto from = in.row(mirrored(y + (k - 2) * step, in.height()));
        const float weight = spline[static_cast<std::size_t>(k)];
        for (std::size_t x = 0; x < to.size(); ++x) to[x] += weight * from[x];
      }
    }
  });
}

/// Robust spread of a scale's coefficients in units of the local noise.
double spread(PlaneView<const float> coefficients, PlaneView<const float> noise) {
  constexpr std::int64_t enough = 200'000;
  const auto step = static_cast<int>(std::max<std::int64_t>(
      static_cast<std::int64_t>(std::sqrt(static_cast<double>(coefficients.size().count()) /
                                          static_cast<double>(enough))),
      1));
  std::vector<double> sizes;
  for (int y = 0; y < coefficients.height(); y += step) {
    for (int x = y % step; x < coefficients.width(); x += step) {
      const double unit = noise.empty() ? 1.0 : static_cast<double>(noise(x, y));
      if (unit > 0.0 && std::isfinite(unit))
        sizes.push_back(std::abs(static_cast<double>(coefficients(x, y))) / unit);
    }
  }
  constexpr double mad_to_sigma = 1.4826;
  return sizes.empty() ? 0.0 : mad_to_sigma * median_in_place(sizes);
}

/// Adds to `sum` what of the scale `fine - coarse` stands above the noise.
void add_significant(PlaneView<const float> scale, PlaneView<const float> noise, double limit,
                     PlaneView<float> sum, Threads threads) {
  parallel_bands(threads, scale.height(), rows_per_band, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      const auto from = scale.row(y);
      const auto to = sum.row(y);
      for (std::size_t x = 0; x < from.size(); ++x) {
        const float unit = noise.empty() ? 1.0F : noise.row(y)[x];
        const float t = static_cast<float>(limit) * (unit > 0.0F ? unit : 0.0F);
        const float w = from[x];
        if (std::abs(w) > t) to[x] += w * (1.0F - (t / w) * (t / w));
      }
    }
  });
}

/// One decomposition: adds the significant part of `fine` to `sum`. `limits` are found in the first
/// round and used in the others, where little but noise is left.
class Rounds {
 public:
  Rounds(PlaneView<const float> noise, double sigma, Threads threads)
      : noise_(noise), sigma_(sigma), threads_(threads) {}

  void add(Grid<float> fine, PlaneView<float> sum) {
    Grid<float> coarse(fine.size());
    Grid<float> between(fine.size());
    for (int scale = 0; scale < scales; ++scale) {
      along_x(fine.view(), between.view(), 1 << scale, threads_);
      along_y(between.view(), coarse.view(), 1 << scale, threads_);
      for (int y = 0; y < fine.height(); ++y) {
        const auto to = between.row(y);
        for (std::size_t x = 0; x < to.size(); ++x) to[x] = fine.row(y)[x] - coarse.row(y)[x];
      }
      auto& limit = limits_[static_cast<std::size_t>(scale)];
      if (first_) limit = sigma_ * spread(between.view(), noise_);
      add_significant(between.view(), noise_, limit, sum, threads_);
      std::swap(fine, coarse);
    }
    first_ = false;
    for (int y = 0; y < fine.height(); ++y) {
      const auto to = sum.row(y);
      for (std::size_t x = 0; x < to.size(); ++x) to[x] += fine.row(y)[x];
    }
  }

 private:
  PlaneView<const float> noise_;
  double sigma_;
  Threads threads_;
  std::array<double, scales> limits_{};
  bool first_ = true;
};

}  // namespace

void smooth_by_noise(PlaneView<float> plane, PlaneView<const float> noise, double sigma,
                     Threads threads) {
  if (plane.empty() || !(sigma > 0.0)) return;
  const Grid<float> data = filled_plane(plane);
  Grid<float> sum(plane.size(), 0.0F);
  Rounds rounds(noise, sigma, threads);
  rounds.add(data.clone(), sum.view());
  // What a first round cuts off a star (the dark ring of each scale is fainter than its core and
  // falls below the limit first) stands in what is left of the data, and comes back from there.
  for (int k = 1; k < decompositions; ++k) {
    Grid<float> left(plane.size());
    for (int y = 0; y < plane.height(); ++y) {
      const auto to = left.row(y);
      for (std::size_t x = 0; x < to.size(); ++x) to[x] = data.row(y)[x] - sum.row(y)[x];
    }
    rounds.add(std::move(left), sum.view());
  }
  for (int y = 0; y < plane.height(); ++y) {
    const auto to = plane.row(y);
    for (std::size_t x = 0; x < to.size(); ++x) {
      if (std::isfinite(to[x])) to[x] = sum.row(y)[x];
    }
  }
}

}  // namespace coldframe::view
