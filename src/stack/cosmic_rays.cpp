#include "coldframe/stack/cosmic_rays.hpp"

#include <algorithm>
#include <array>
#include <cmath>

namespace coldframe::stack {
namespace {

constexpr int block = 32;
constexpr int near_saturated = 3;
constexpr float fine_structure_sd =
    0.45F;  // of F in white unit noise: median of 3 x 3 (0.41) and 7 x 7
constexpr float fine_structure_margin = 4.0F;

/// Beyond the frame its last pixels are repeated.
template <int Radius, typename Value>
float window_median(int x, int y, Size size, const Value& value) {
  constexpr int side = 2 * Radius + 1;
  std::array<float, static_cast<std::size_t>(side * side)> found;
  std::size_t k = 0;
  for (int dy = -Radius; dy <= Radius; ++dy) {
    const int v = std::clamp(y + dy, 0, size.height - 1);
    for (int dx = -Radius; dx <= Radius; ++dx) {
      found[k++] = value(std::clamp(x + dx, 0, size.width - 1), v);
    }
  }
  const auto middle = found.begin() + side * side / 2;
  std::nth_element(found.begin(), middle, found.end());
  return *middle;
}

class Search {
 public:
  Search(PlaneView<float> image, PlaneView<const std::uint8_t> mask, const SkyAt& sky,
         double variance_per_unit, const CosmicRayOptions& options, Threads threads)
      : image_(image),
        size_(image.size()),
        slope_(static_cast<float>(variance_per_unit)),
        sigma_(static_cast<float>(options.sigma)),
        low_(static_cast<float>(options.sigma * options.neighbour_share)),
        contrast_(static_cast<float>(least_contrast(options.fwhm_px))),
        threads_(threads),
        edges_(image.size()),
        state_(image.size()) {
    bar(mask);
    ask_sky(sky);
  }

  std::vector<HitPixel> run(int passes) {
    std::vector<HitPixel> hits;
    for (int pass = 0; pass < passes; ++pass) {
      find_edges();
      std::vector<HitPixel> fresh = cores();
      if (fresh.empty()) break;
      mark(fresh);
      grow(fresh, sigma_);
      grow(fresh, low_);
      replace(fresh);
      hits.insert(hits.end(), fresh.begin(), fresh.end());
    }
    std::sort(hits.begin(), hits.end(), [](const HitPixel& a, const HitPixel& b) {
      return a.y != b.y ? a.y < b.y : a.x < b.x;
    });
    return hits;
  }

 private:
  enum State : std::uint8_t { open = 0, barred = 1, hit = 2 };

  /// Masked pixels and the surroundings of saturated ones, whose edges are as sharp as a
  /// particle's.
  void bar(PlaneView<const std::uint8_t> mask) {
    for (int y = 0; y < size_.height; ++y) {
      const auto bits = mask.row(y);
      for (int x = 0; x < size_.width; ++x) {
        const std::uint8_t b = bits[static_cast<std::size_t>(x)];
        if (b == 0) continue;
        const int reach = (b & mask_bit::saturated) != 0 ? near_saturated : 0;
        const Rect around =
            Rect{x - reach, y - reach, x + reach + 1, y + reach + 1}.intersect(whole(size_));
        for (int v = around.y0; v < around.y1; ++v) {
          for (int u = around.x0; u < around.x1; ++u) state_(u, v) = barred;
        }
      }
    }
  }

  void ask_sky(const SkyAt& sky) {
    const int columns = (size_.width + block - 1) / block;
    const int rows = (size_.height + block - 1) / block;
    level_ = Grid<float>(columns, rows);
    noise_ = Grid<float>(columns, rows);
    for (int j = 0; j < rows; ++j) {
      for (int i = 0; i < columns; ++i) {
        const SkyHere here = sky(std::min((i + 0.5) * block, size_.width - 1.0),
                                 std::min((j + 0.5) * block, size_.height - 1.0));
        level_(i, j) = static_cast<float>(here.level);
        noise_(i, j) = static_cast<float>(here.noise);
      }
    }
  }

  void find_edges() {
    parallel_bands(threads_, size_.height, 64, [&](int y0, int y1) {
      for (int y = y0; y < y1; ++y) {
        const auto above = image_.row(std::max(y - 1, 0));
        const auto here = image_.row(y);
        const auto below = image_.row(std::min(y + 1, size_.height - 1));
        const auto out = edges_.row(y);
        const std::size_t last = here.size() - 1;
        for (std::size_t x = 0; x <= last; ++x) {
          const float twice = 2.0F * here[x];
          const float left = here[x > 0 ? x - 1 : 0];
          const float right = here[x < last ? x + 1 : last];
          const auto quarter = [&](float h, float v) { return std::max(twice - h - v, 0.0F); };
          out[x] = 0.25F * (quarter(left, above[x]) + quarter(right, above[x]) +
                            quarter(left, below[x]) + quarter(right, below[x]));
        }
      }
    });
  }

  [[nodiscard]] float image_at(int x, int y) const noexcept { return image_(x, y); }
  [[nodiscard]] float noise_at(int x, int y) const {
    const float level = window_median<2>(x, y, size_, [&](int u, int v) { return image_at(u, v); });
    const float light = std::max(level - level_(x / block, y / block), 0.0F);
    const float sky = noise_(x / block, y / block);
    return std::sqrt(sky * sky + slope_ * light);
  }
  [[nodiscard]] float significance(int x, int y) const {
    return edges_(x, y) / (2.0F * noise_at(x, y));
  }
  [[nodiscard]] float above_surroundings(int x, int y) const {
    return significance(x, y) -
           window_median<2>(x, y, size_, [&](int u, int v) { return significance(u, v); });
  }
  [[nodiscard]] float median3(int x, int y) const {
    return window_median<1>(x, y, size_, [&](int u, int v) { return image_at(u, v); });
  }
  /// What a star has to show beside such an edge. In crowds the 7 x 7 median is itself starlight:
  /// half of what lies above the sky counts at least.
  [[nodiscard]] float fine_structure(int x, int y) const {
    const float near = median3(x, y);
    const float wide = window_median<3>(x, y, size_, [&](int u, int v) { return median3(u, v); });
    return std::max({near - wide, 0.5F * (near - level_(x / block, y / block)), 0.0F});
  }
  [[nodiscard]] bool sharper_than_stars(int x, int y) const {
    const float fine = fine_structure(x, y);
    const float noise = noise_(x / block, y / block);
    const float margin =
        fine_structure_margin * fine_structure_sd * std::sqrt(noise * noise + slope_ * fine);
    return edges_(x, y) > contrast_ * (fine + margin);
  }

  [[nodiscard]] std::vector<HitPixel> cores() const {
    constexpr int rows = 64;
    std::vector<std::vector<HitPixel>> parts(
        static_cast<std::size_t>((size_.height + rows - 1) / rows));
    parallel_bands(threads_, size_.height, rows, [&](int y0, int y1) {
      for (int y = y0; y < y1; ++y) cores_of_row(y, parts[static_cast<std::size_t>(y0 / rows)]);
    });
    std::vector<HitPixel> found;
    for (const auto& part : parts) found.insert(found.end(), part.begin(), part.end());
    return found;
  }

  void cores_of_row(int y, std::vector<HitPixel>& found) const {
    const auto edges = edges_.row(y);
    const auto noise = noise_.row(y / block);
    for (std::size_t x = 0; x < edges.size(); ++x) {
      // The noise is never less than the sky's: nearly all pixels end here.
      if (!(edges[x] > 2.0F * sigma_ * noise[x / block])) continue;
      const int column = static_cast<int>(x);
      if (state_(column, y) != open || !(significance(column, y) > sigma_)) continue;
      if (!sharper_than_stars(column, y)) continue;
      if (above_surroundings(column, y) > sigma_) found.push_back({column, y});
    }
  }

  void mark(const std::vector<HitPixel>& pixels) {
    for (const auto& p : pixels) state_(p.x, p.y) = hit;
  }

  /// Adds the neighbours of `pixels` beyond `limit`.
  void grow(std::vector<HitPixel>& pixels, float limit) {
    const std::size_t count = pixels.size();
    for (std::size_t k = 0; k < count; ++k) {
      const HitPixel at = pixels[k];
      const Rect around = Rect{at.x - 1, at.y - 1, at.x + 2, at.y + 2}.intersect(whole(size_));
      for (int y = around.y0; y < around.y1; ++y) {
        for (int x = around.x0; x < around.x1; ++x) {
          if (state_(x, y) != open || !(above_surroundings(x, y) > limit)) continue;
          if (!(edges_(x, y) > contrast_ * fine_structure(x, y))) continue;  // never into a star
          state_(x, y) = hit;
          pixels.push_back({x, y});
        }
      }
    }
  }

  void replace(const std::vector<HitPixel>& pixels) {
    std::vector<float> values;
    for (const auto& at : pixels) {
      std::vector<float> good;
      const Rect around = Rect{at.x - 2, at.y - 2, at.x + 3, at.y + 3}.intersect(whole(size_));
      for (int y = around.y0; y < around.y1; ++y) {
        for (int x = around.x0; x < around.x1; ++x) {
          if (state_(x, y) != hit) good.push_back(image_(x, y));
        }
      }
      const auto middle = good.begin() + static_cast<std::ptrdiff_t>(good.size() / 2);
      std::nth_element(good.begin(), middle, good.end());
      values.push_back(good.empty() ? image_(at.x, at.y) : *middle);
    }
    for (std::size_t k = 0; k < pixels.size(); ++k) image_(pixels[k].x, pixels[k].y) = values[k];
  }

  PlaneView<float> image_;
  Size size_;
  float slope_, sigma_, low_, contrast_;
  Threads threads_;
  Grid<float> edges_;  ///< L
  Mask state_;
  Grid<float> level_, noise_;  ///< of the sky, per block
};

}  // namespace

double least_contrast(double fwhm_px) noexcept {
  constexpr double usual = 2.0;
  const double width = 0.9 * std::max(fwhm_px, 0.8);
  // The worst case is a star on the corner of four pixels: of peak 1 there, `beside` in the next
  // eight. L = 1 - beside; five of the nine pixels about each of the four are no brighter than
  // `beside`, which is thus the median.
  const double beside = std::exp(-8.0 * std::log(2.0) / (width * width));
  return std::max(usual, (1.0 - beside) / beside);
}

std::vector<HitPixel> find_cosmic_rays(PlaneView<float> image, PlaneView<const std::uint8_t> mask,
                                       const SkyAt& sky, double variance_per_unit,
                                       const CosmicRayOptions& options, Threads threads) {
  if (image.size().count() == 0) return {};
  Search search(image, mask, sky, variance_per_unit, options, threads);
  return search.run(options.max_passes);
}

}  // namespace coldframe::stack
