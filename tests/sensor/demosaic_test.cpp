#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "demosaiced.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::all_methods;
using test_frames::all_patterns;
using test_frames::Colours;
using test_frames::demosaic;
using test_frames::mosaic_of;
using test_frames::Near;
using test_frames::noise_plane;

TEST_CASE("flat and linear colour scenes come back exactly", "[demosaic]") {
  // check-values CFA-1: a mosaic of R=100 G=50 B=20 gives exactly (100, 50, 20). Planes of
  // different slopes are exact too wherever no sample is mirrored: all methods are exact for
  // degree 1.
  const Size size{39, 37};
  const Mask good(size);
  const double level[3] = {100.0, 50.0, 20.0};
  const double slope_x[3] = {2.0, -1.0, 0.5};
  const double slope_y[3] = {-0.5, 3.0, 1.0};
  for (const auto pattern : all_patterns) {
    for (const auto method : all_methods) {
      // Values are small multiples of 1/16: no rounding with weights that are. Two passes of
      // weights over 368 in float32 round about ten times, their absolute values sum to 2.4; the
      // adaptive methods are held to them.
      const double rounding = method == Demosaic::bilinear ? 0.0 : 1.5e-6;
      const auto flat = mosaic_of(size, pattern, [&](int c, int, int) { return level[c]; });
      const auto colours = demosaic(flat, good, pattern, method);
      const auto linear = mosaic_of(size, pattern, [&](int c, int x, int y) {
        return level[c] + slope_x[c] * x + slope_y[c] * y;
      });
      const auto slopes = demosaic(linear, good, pattern, method);
      for (int c = 0; c < 3; ++c) {
        double worst_flat = 0.0;
        double worst_linear = 0.0;
        for (int y = 0; y < size.height; ++y) {
          for (int x = 0; x < size.width; ++x) {
            worst_flat = std::max(
                worst_flat, std::abs(static_cast<double>(colours.planes[c](x, y)) - level[c]));
            if (!whole(size).expand(-demosaic_margin(method)).contains(x, y)) continue;
            const double truth = level[c] + slope_x[c] * x + slope_y[c] * y;
            worst_linear = std::max(worst_linear,
                                    std::abs(static_cast<double>(slopes.planes[c](x, y)) - truth));
          }
        }
        INFO(to_string(pattern) << " plane " << c);
        CHECK(worst_flat <= 100.0 * rounding);
        CHECK(worst_linear <= 200.0 * rounding);
      }
    }
  }
}

TEST_CASE("demosaicing by bands changes no bit, at odd origins too", "[demosaic]") {
  const Size size{41, 33};
  auto mosaic = noise_plane(size, 11, 1000.0, 100.0);
  Mask mask(size);
  mask(10, 10) = mask_bit::defect;
  mask(0, 0) = mask_bit::saturated;
  for (const auto pattern : all_patterns) {
    for (const auto method : all_methods) {
      const auto once = demosaic(mosaic, mask, pattern, method);
      for (const int side : {5, 16}) {
        for (int y = 0; y < size.height; y += side) {
          for (int x = 0; x < size.width; x += side) {
            const Rect target{x, y, std::min(x + side, size.width),
                              std::min(y + side, size.height)};
            const Rect region = target.expand(demosaic_margin(method)).intersect(whole(size));
            Colours part;
            PlaneView<float> planes[3];
            PlaneView<std::uint8_t> masks[3];
            for (int c = 0; c < 3; ++c) {
              part.planes[c] = Grid<float>(target.size());
              part.masks[c] = Mask(target.size());
              planes[c] = part.planes[c].view();
              masks[c] = part.masks[c].view();
            }
            demosaic_band(mosaic.cview().crop(region), mask.cview().crop(region), region, size,
                          pattern, method, target, planes, masks);
            bool same = true;
            for (int c = 0; c < 3; ++c) {
              same = same && test_frames::same_bits(part.planes[c].view(),
                                                    once.planes[c].cview().crop(target));
              for (int v = target.y0; v < target.y1; ++v) {
                for (int u = target.x0; u < target.x1; ++u) {
                  same = same && part.masks[c](u - target.x0, v - target.y0) == once.masks[c](u, v);
                }
              }
            }
            REQUIRE(same);
          }
        }
      }
    }
  }
}

TEST_CASE("a masked sample spoils the planes that lean on it", "[demosaic]") {
  const Size size{12, 12};
  const auto mosaic = noise_plane(size, 12, 100.0, 1.0);
  Mask mask(size);
  mask(4, 4) = mask_bit::defect;  // a red pixel of RGGB
  const auto out = demosaic(mosaic, mask, CfaPattern::rggb, Demosaic::bilinear);
  // Red at its own place, at the four sides (weight 1/2 of two) and the four corners (1/4 of four).
  for (int dy = -2; dy <= 2; ++dy) {
    for (int dx = -2; dx <= 2; ++dx) {
      const bool near = std::abs(dx) <= 1 && std::abs(dy) <= 1;
      CHECK((out.masks[0](4 + dx, 4 + dy) != 0) == near);
      CHECK(out.masks[1](4 + dx, 4 + dy) == 0);
      CHECK(out.masks[2](4 + dx, 4 + dy) == 0);
    }
  }
  const auto corrected = demosaic(mosaic, mask, CfaPattern::rggb, Demosaic::gradient_corrected);
  // Green there is corrected by the red sample itself, which carries at least a quarter of the
  // weight.
  CHECK(corrected.masks[1](4, 4) == mask_bit::defect);
}

TEST_CASE("whatever carries a tenth of the squared weight is in the mask", "[demosaic]") {
  // One sample is moved a little and marked; a pixel that follows with a weight w, w^2 above a
  // tenth of its plane's noise gain, must carry the mark. (The gain of the pixel's own kind of
  // place.)
  const Size size{48, 48};
  const auto mosaic = noise_plane(size, 21, 1000.0, 20.0);
  const Mask good(size);
  const auto pattern = CfaPattern::gbrg;
  for (const auto method : all_methods) {
    const auto gains = demosaic_site_gains(pattern, method, {1.0, 1.0, 1.0});
    const auto before = demosaic(mosaic, good, pattern, method);
    int marked = 0;
    for (int k = 0; k < 24; ++k) {
      const int x0 = 20 + (k * 7) % 9;
      const int y0 = 20 + (k * 5) % 8;
      Grid<float> moved(size);
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) moved(x, y) = mosaic(x, y);
      }
      constexpr float step = 0.25F;
      moved(x0, y0) += step;
      Mask mask(size);
      mask(x0, y0) = mask_bit::defect;
      const auto after = demosaic(moved, mask, pattern, method);
      int missed = 0;
      for (std::size_t c = 0; c < 3; ++c) {
        for (int y = 0; y < size.height; ++y) {
          for (int x = 0; x < size.width; ++x) {
            const double w =
                static_cast<double>(after.planes[c](x, y) - before.planes[c](x, y)) / 0.25;
            const auto site = static_cast<std::size_t>((x & 1) + 2 * (y & 1));
            const bool heavy = w * w > 0.1 * gains[c][site];
            marked += after.masks[c](x, y) != 0 ? 1 : 0;
            if (heavy && after.masks[c](x, y) == 0) ++missed;
          }
        }
      }
      // A direction that the small step itself turns over may move one pixel by more.
      INFO("method " << static_cast<int>(method) << " sample " << x0 << ", " << y0);
      CHECK(missed <= (mixes_colours(method) ? 2 : 0));
    }
    CHECK(marked > 100);
    CHECK(marked < 24 * 3 * 9 + 1);
  }
}

TEST_CASE("noise after demosaicing is as stated", "[demosaic]") {
  const Size size{400, 400};
  const auto mosaic = noise_plane(size, 13, 1000.0, 10.0);
  const Mask good(size);
  for (const auto method : all_methods) {
    const auto out = demosaic(mosaic, good, CfaPattern::grbg, method);
    for (std::size_t c = 0; c < 3; ++c) {
      double sum = 0.0;
      double squares = 0.0;
      double count = 0.0;
      for (int y = 0; y < size.height; ++y) {
        for (const float v : out.planes[c].row(y)) {
          const double d = static_cast<double>(v) - 1000.0;
          sum += d;
          squares += d * d;
          count += 1.0;
        }
      }
      const double gain = (squares / count - sum * sum / count / count) / 100.0;
      INFO("plane " << c << " measured " << gain);
      // 160,000 pixels, correlated over a few: standard error below 1%.
      CHECK(gain == Near(demosaic_noise(method).gain[c]).epsilon(0.03));
    }
  }
}

TEST_CASE("star colours survive every method", "[demosaic]") {
  // Issue 3: star colours within 2% for signal-to-noise above 50. Noise-free Gaussian stars of
  // FWHM 3 px at eight places, flux summed within 7 px.
  const Size size{64, 64};
  const Mask good(size);
  const double sigma = 3.0 / 2.354820045;
  const double truth[3] = {1.0, 0.8, 0.5};
  for (const auto method : all_methods) {
    for (int k = 0; k < 8; ++k) {
      const double cx = 31.0 + 0.37 * k;
      const double cy = 30.0 + 0.61 * k;
      const auto mosaic = mosaic_of(size, CfaPattern::gbrg, [&](int c, int x, int y) {
        const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
        return 100.0 + 5000.0 * truth[c] * std::exp(-0.5 * r2 / (sigma * sigma));
      });
      const auto out = demosaic(mosaic, good, CfaPattern::gbrg, method);
      double flux[3] = {};
      for (int c = 0; c < 3; ++c) {
        for (int y = 0; y < size.height; ++y) {
          for (int x = 0; x < size.width; ++x) {
            const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
            if (r2 < 49.0) flux[c] += static_cast<double>(out.planes[c](x, y)) - 100.0;
          }
        }
      }
      INFO("method " << static_cast<int>(method) << " place " << k);
      CHECK(flux[0] / flux[1] == Near(truth[0] / truth[1]).epsilon(0.02));
      CHECK(flux[2] / flux[1] == Near(truth[2] / truth[1]).epsilon(0.02));
    }
  }
}
