#include "stars/detect.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <iterator>

#include "coldframe/core/statistics.hpp"
#include "stars/filter_kernel.hpp"
#include "stars/filtered_noise.hpp"
#include "stars/sky_pieces.hpp"

namespace coldframe::stars {
namespace {

constexpr int band_rows = 128;

/// One row of the image as signal in units of the sky noise, zero where there is none.
class SignalRow {
 public:
  explicit SignalRow(const DetectionFrame& frame)
      : frame_(frame), per_cell_(1.0F / static_cast<float>(frame.sky->cell_px)) {}

  void fill(int y, std::span<float> out) {
    sky_pieces(*frame_.sky, y, pieces_);
    signal_row({frame_.image.row(y).data(),
                frame_.known_light == nullptr ? nullptr : frame_.known_light->row(y).data(),
                pieces_, per_cell_},
               out.data());
    std::uint8_t any_bad = 0;
    for (const std::uint8_t bits : frame_.mask.row(y)) {
      any_bad = static_cast<std::uint8_t>(any_bad | bits);
    }
    if (any_bad != 0) clear_masked(y, out);
    if (frame_.cfa != CfaPattern::none) clear_other_colours(y, out);
  }

 private:
  /// Saturated pixels keep their light; others take the mean of two or more good
  /// neighbours, so that a single bad pixel in a star makes no hole, else nothing.
  void clear_masked(int y, std::span<float> out) const noexcept {
    for (int x = 0; x < frame_.image.width(); ++x) {
      const std::uint8_t bits = frame_.mask(x, y);
      if ((bits & ~mask_bit::saturated) == 0) continue;
      out[static_cast<std::size_t>(x)] = neighbour_mean(x, y);
    }
  }
  [[nodiscard]] float neighbour_mean(int x, int y) const noexcept {
    if (frame_.cfa != CfaPattern::none) return 0.0F;
    constexpr std::array<std::array<int, 2>, 4> steps{{{-1, 0}, {1, 0}, {0, -1}, {0, 1}}};
    float sum = 0.0F;
    int count = 0;
    for (const auto& step : steps) {
      const int nx = x + step[0];
      const int ny = y + step[1];
      if (!whole(frame_.image.size()).contains(nx, ny) || frame_.mask(nx, ny) != 0) continue;
      const float value = frame_.image(nx, ny);
      if (!std::isfinite(value)) continue;
      sum += value;
      ++count;
    }
    if (count < 2) return 0.0F;
    // The last piece that begins at or before x.
    const auto piece = std::prev(
        std::upper_bound(pieces_.begin(), pieces_.end(), x,
                         [](int at, const SkyPiece& candidate) { return at < candidate.x0; }));
    return signal_of(*piece, x - piece->x0, per_cell_, sum / static_cast<float>(count),
                     frame_.known_light == nullptr ? nullptr : &(*frame_.known_light)(x, y));
  }
  void clear_other_colours(int y, std::span<float> out) const noexcept {
    const std::size_t first = cfa_colour(frame_.cfa, 0, y) == 1 ? 1 : 0;
    for (std::size_t x = first; x < out.size(); x += 2) out[x] = 0.0F;
  }

  const DetectionFrame& frame_;
  float per_cell_;
  std::vector<SkyPiece> pieces_;
};

/// Rows of a band filtered horizontally, kept in a ring as the vertical filter moves up.
class BandFilter {
 public:
  BandFilter(const DetectionFrame& frame, const GaussianKernel& kernel)
      : frame_(frame),
        kernel_(kernel),
        signal_(frame),
        ring_(frame.image.width(), 2 * kernel.radius() + 1),
        padded_(static_cast<std::size_t>(frame.image.width() + 2 * kernel.radius()), 0.0F),
        rows_(static_cast<std::size_t>(2 * kernel.radius() + 1)),
        scaled_(kernel.taps) {}

  void run(int y0, int y1, float scale, Grid<float>& out) {
    const int r = kernel_.radius();
    for (std::size_t k = 0; k < scaled_.size(); ++k) scaled_[k] = scale * kernel_.taps[k];
    for (int y = y0 - r; y < y1 + r; ++y) {
      load(y);
      if (y - r >= y0) combine(y - r, out.row(y - r));
    }
  }

 private:
  [[nodiscard]] std::span<float> slot(int y) noexcept {
    const int rows = ring_.height();
    return ring_.row(((y % rows) + rows) % rows);
  }
  void load(int y) {
    const auto to = slot(y);
    if (y < 0 || y >= frame_.image.height()) {
      std::fill(to.begin(), to.end(), 0.0F);
      return;
    }
    const auto r = static_cast<std::size_t>(kernel_.radius());
    signal_.fill(y, std::span(padded_).subspan(r, to.size()));
    filter_along(padded_.data() + r, kernel_.taps.data(), r, to.data(), to.size());
  }
  void combine(int y, std::span<float> out) noexcept {
    const int r = kernel_.radius();
    for (int k = -r; k <= r; ++k) rows_[static_cast<std::size_t>(k + r)] = slot(y + k).data();
    filter_across(rows_.data(), scaled_.data(), static_cast<std::size_t>(r), out.data(),
                  out.size());
  }

  const DetectionFrame& frame_;
  const GaussianKernel& kernel_;
  SignalRow signal_;
  Grid<float> ring_;
  std::vector<float> padded_;
  std::vector<const float*> rows_;
  std::vector<float> scaled_;  ///< taps of the second filter
};

bool is_maximum(const Grid<float>& values, int x, int y, int reach) noexcept {
  const float here = values(x, y);
  for (int v = std::max(0, y - reach); v <= std::min(values.height() - 1, y + reach); ++v) {
    for (int u = std::max(0, x - reach); u <= std::min(values.width() - 1, x + reach); ++u) {
      if (u == x && v == y) continue;
      const bool before = v < y || (v == y && u < x);
      // Of equal pixels the first one is the maximum.
      if (before ? values(u, v) >= here : values(u, v) > here) return false;
    }
  }
  return true;
}

/// Height of the parabola through a maximum and its neighbours: what the filter would have
/// given on the star's centre; the pixel grid alone costs narrow stars some percent.
float crest(const Grid<float>& values, int x, int y) noexcept {
  const float here = values(x, y);
  const auto gain = [here](float before, float after) {
    const float bend = 2.0F * here - before - after;
    return bend > 0.0F ? (after - before) * (after - before) / (8.0F * bend) : 0.0F;
  };
  float top = here;
  if (x > 0 && x + 1 < values.width()) top += gain(values(x - 1, y), values(x + 1, y));
  if (y > 0 && y + 1 < values.height()) top += gain(values(x, y - 1), values(x, y + 1));
  return top;
}

/// From filtered values to units of their noise.
struct PeakScale {
  float zero = 0.0F;
  float per_unit = 1.0F;
};

void peaks_in_row(const Grid<float>& values, int y, float limit, int reach, const PeakScale& scale,
                  std::vector<std::uint32_t>& above, std::vector<Peak>& out) {
  const auto row = values.row(y);
  above.resize(row.size());
  // A crest is at most a quarter above its highest pixel in each direction for a parabola that
  // falls to nothing within a pixel; a fifth below the limit loses none worth having.
  const float least = 0.8F * limit;
  const std::size_t found = find_crests(row.data(), row.size(), least, above.data());
  for (std::size_t k = 0; k < found; ++k) {
    const std::size_t x = above[k];
    if (!is_maximum(values, static_cast<int>(x), y, reach)) continue;
    const float top = crest(values, static_cast<int>(x), y);
    if (top > limit) {
      out.push_back({static_cast<int>(x), y, (top - scale.zero) * scale.per_unit, 0.0F});
    }
  }
}

}  // namespace

GaussianKernel gaussian_kernel(double fwhm_px) {
  const double sigma = std::max(0.3, fwhm_px) / fwhm_over_sigma;
  const int radius = std::max(1, static_cast<int>(std::ceil(2.8 * sigma)));
  std::vector<double> taps(static_cast<std::size_t>(radius) + 1);
  double sum = 0.0;
  for (int k = 0; k <= radius; ++k) {
    // The Gaussian's integral over the pixel, so that narrow kernels stay right.
    const double left = std::erf((k - 0.5) / (sigma * std::sqrt(2.0)));
    const double right = std::erf((k + 0.5) / (sigma * std::sqrt(2.0)));
    taps[static_cast<std::size_t>(k)] = 0.5 * (right - left);
    sum += (k == 0 ? 1.0 : 2.0) * taps[static_cast<std::size_t>(k)];
  }
  GaussianKernel kernel;
  double squares = 0.0;
  for (int k = 0; k <= radius; ++k) {
    const double tap = taps[static_cast<std::size_t>(k)] / sum;
    kernel.taps.push_back(static_cast<float>(tap));
    squares += (k == 0 ? 1.0 : 2.0) * tap * tap;
  }
  kernel.norm2d = squares;  // root of (squares along x) * (squares along y)
  return kernel;
}

void filter_frame(const DetectionFrame& frame, double fwhm_px, Threads threads, FilteredFrame& out,
                  BandChoice choice) {
  if (out.values.size() != frame.image.size()) out.values = Grid<float>(frame.image.size());
  out.fwhm_px = fwhm_px;
  out.bands = choice;
  const GaussianKernel kernel = gaussian_kernel(fwhm_px);
  // Half the pixels of a mosaic are green: half the signal, 1/sqrt2 of the noise.
  out.norm2d = kernel.norm2d * (frame.cfa == CfaPattern::none ? 1.0 : std::sqrt(0.5));
  const auto scale = static_cast<float>(1.0 / out.norm2d);
  parallel_bands(threads, frame.image.height(), band_rows, [&](int y0, int y1) {
    if ((y0 / band_rows) % choice.step != choice.rest) {
      for (int y = y0; y < y1; ++y) {
        const auto row = out.values.row(y);
        std::fill(row.begin(), row.end(), 0.0F);
      }
      return;
    }
    BandFilter(frame, kernel).run(y0, y1, scale, out.values);
  });
  const FilteredNoise noise = measured_noise(out.values);
  out.noise_ratio = noise.sigma;
  out.zero = noise.zero;
}

std::vector<Peak> find_peaks(const FilteredFrame& filtered, double threshold, Threads threads) {
  const int height = filtered.values.height();
  const auto bands = static_cast<std::size_t>((height + band_rows - 1) / band_rows);
  std::vector<std::vector<Peak>> found(bands);
  const int reach = std::max(1, static_cast<int>(0.4 * filtered.fwhm_px));
  const auto limit = static_cast<float>(filtered.zero + threshold * filtered.noise_ratio);
  const PeakScale scale{static_cast<float>(filtered.zero),
                        static_cast<float>(1.0 / filtered.noise_ratio)};
  parallel_bands(threads, height, band_rows, [&](int y0, int y1) {
    if ((y0 / band_rows) % filtered.bands.step != filtered.bands.rest) return;
    auto& list = found[static_cast<std::size_t>(y0 / band_rows)];
    std::vector<std::uint32_t> above;
    for (int y = y0; y < y1; ++y) {
      peaks_in_row(filtered.values, y, limit, reach, scale, above, list);
    }
  });
  std::vector<Peak> peaks;
  for (const auto& list : found) peaks.insert(peaks.end(), list.begin(), list.end());
  std::stable_sort(peaks.begin(), peaks.end(),
                   [](const Peak& a, const Peak& b) { return a.value > b.value; });
  return peaks;
}

std::vector<std::uint32_t> by_rows(const std::vector<Peak>& peaks, int height) {
  std::vector<std::uint32_t> first(static_cast<std::size_t>(height) + 1, 0);
  for (const Peak& peak : peaks) ++first[static_cast<std::size_t>(peak.y) + 1];
  for (std::size_t y = 1; y < first.size(); ++y) first[y] += first[y - 1];
  std::vector<std::uint32_t> order(peaks.size());
  for (std::size_t i = 0; i < peaks.size(); ++i) {
    order[first[static_cast<std::size_t>(peaks[i].y)]++] = static_cast<std::uint32_t>(i);
  }
  return order;
}

}  // namespace coldframe::stars
