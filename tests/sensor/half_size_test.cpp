// Half-size colour pixels, and variances of demosaiced planes.
#include <cmath>
#include <cstdlib>
#include <fstream>
#include <string>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/sensor/demosaic.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::all_patterns;
using test_frames::mosaic_of;
using test_frames::Near;
using test_frames::noise_plane;

namespace {

struct Planes {
  Grid<float> planes[3];
  Mask masks[3];
  PlaneView<float> views[3];
  PlaneView<std::uint8_t> bits[3];
  explicit Planes(Size size) {
    for (int c = 0; c < 3; ++c) {
      planes[c] = Grid<float>(size);
      masks[c] = Mask(size);
      views[c] = planes[c].view();
      bits[c] = masks[c].view();
    }
  }
};

}  // namespace

TEST_CASE("a cell becomes a pixel, in every phase and at odd sizes", "[half]") {
  const Size size{13, 9};
  for (const auto pattern : all_patterns) {
    const auto mosaic = mosaic_of(
        size, pattern, [](int c, int x, int y) { return 1000.0 * c + 10.0 * x + 3.0 * y; });
    Mask mask(size);
    mask(4, 6) = mask_bit::defect;
    const Size half = half_size_of(size);
    REQUIRE(half == Size{6, 4});
    Planes out(half);
    half_size_band(mosaic.cview(), mask.cview(), whole(size), pattern, whole(half), out.views,
                   out.bits);
    for (int c = 0; c < 3; ++c) {
      const Point at = half_size_sample(pattern, c);
      if (c != 1) CHECK(cfa_colour(pattern, int(at.x), int(at.y)) == c);
      for (int y = 0; y < half.height; ++y) {
        for (int x = 0; x < half.width; ++x) {
          // A linear scene: its value at the place where the plane's light was sampled.
          const double truth = 1000.0 * c + 10.0 * (2 * x + at.x) + 3.0 * (2 * y + at.y);
          CHECK(static_cast<double>(out.planes[c](x, y)) == Near(truth).epsilon(1e-6));
          const bool hit = x == 2 && y == 3 && c == cfa_colour(pattern, 4, 6);
          CHECK((out.masks[c](x, y) != 0) == hit);
        }
      }
    }
    // A part, from a band that begins elsewhere.
    const Rect part{1, 1, 5, 3};
    const Rect region{1, 2, 11, 7};
    Planes piece(part.size());
    half_size_band(mosaic.cview().crop(region), mask.cview().crop(region), region, pattern, part,
                   piece.views, piece.bits);
    for (int c = 0; c < 3; ++c) CHECK(piece.planes[c](2, 1) == out.planes[c](3, 2));
  }
  Planes out({2, 2});
  const Grid<float> mosaic(Size{4, 4});
  const Mask mask(Size{4, 4});
  CHECK_THROWS_AS(half_size_band(mosaic.cview(), mask.cview(), {0, 0, 4, 4}, CfaPattern::none,
                                 {0, 0, 2, 2}, out.views, out.bits),
                  Error);
  CHECK_THROWS_AS(half_size_band(mosaic.cview(), mask.cview(), {0, 0, 4, 4}, CfaPattern::rggb,
                                 {1, 0, 3, 2}, out.views, out.bits),
                  Error);
}

TEST_CASE("variances of filled-in pixels are those of noise sent through", "[half]") {
  // Noise of another size in each colour, rising across the frame by a factor of 2: the scatter
  // over 40 frames in each of 20 columns of cells against the predicted variance. 9 rows of cells x
  // 2 x 40 values a column and site give each ratio to some 5%; the mean over columns to
  // about 1.5%.
  const Size size{80, 40};
  const double sd[3] = {6.0, 10.0, 14.0};
  for (const auto method : {Demosaic::bilinear, Demosaic::own_lattice, Demosaic::gradient_corrected,
                            Demosaic::lmmse, Demosaic::half_size}) {
    const bool half = method == Demosaic::half_size;
    const Size out_size = half ? half_size_of(size) : size;
    const auto pattern = CfaPattern::gbrg;
    const auto variance = mosaic_of(
        size, pattern, [&](int c, int x, int) { return sd[c] * sd[c] * (1.0 + x / 80.0); });
    Planes predicted(out_size);
    const auto gains = demosaic_site_gains(pattern, method, {sd[0], sd[1], sd[2]});
    if (half) {
      half_size_variance_band(variance.cview(), whole(size), pattern, whole(out_size),
                              predicted.views);
    } else {
      demosaic_variance_band(variance.cview(), whole(size), size, pattern, method, gains,
                             whole(size), predicted.views);
    }
    Grid<double> sums[3] = {Grid<double>(out_size), Grid<double>(out_size), Grid<double>(out_size)};
    constexpr int frames = 40;
    SampleNoise known;
    for (std::size_t c = 0; c < 3; ++c) known.variance[c] = static_cast<float>(1.5 * sd[c] * sd[c]);
    const Mask good(size);
    for (unsigned frame = 0; frame < frames; ++frame) {
      RandomStream random(77, frame, 0);
      Grid<float> noise(size);
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) {
          noise(x, y) =
              static_cast<float>(std::sqrt(static_cast<double>(variance(x, y))) * random.normal());
        }
      }
      Planes out(out_size);
      if (half) {
        half_size_band(noise.cview(), good.cview(), whole(size), pattern, whole(out_size),
                       out.views, out.bits);
      } else {
        demosaic_band(noise.cview(), good.cview(), whole(size), size, pattern, method, whole(size),
                      out.views, out.bits, known);
      }
      for (int c = 0; c < 3; ++c) {
        for (int y = 0; y < out_size.height; ++y) {
          for (int x = 0; x < out_size.width; ++x) {
            const auto v = static_cast<double>(out.planes[c](x, y));
            sums[c](x, y) += v * v / frames;
          }
        }
      }
    }
    const int cell = half ? 1 : 2;
    for (int c = 0; c < 3; ++c) {
      for (int site = 0; site < cell * cell; ++site) {
        double ratio = 0.0;
        double count = 0.0;
        for (int y = 8 + site / 2; y < out_size.height - 8; y += cell) {
          for (int x = 8 + site % 2; x < out_size.width - 8; x += cell) {
            ratio += sums[c](x, y) / static_cast<double>(predicted.planes[c](x, y));
            count += 1.0;
          }
        }
        INFO("method " << static_cast<int>(method) << " plane " << c << " site " << site);
        // 96 to 768 places of 40 frames, neighbours correlated over a few: 4% at worst, 3 of these.
        CHECK(ratio / count == Near(1.0).epsilon(0.10));
      }
    }
  }
}

TEST_CASE("samples of every demosaicing for the cross-check with scipy", "[half][crosscheck]") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  if (folder == nullptr) return;
  const auto write = [&](const std::string& name, const Grid<float>& plane) {
    std::ofstream out(std::string(folder).append("/sensor_cfa_").append(name).append(".f32"),
                      std::ios::binary);
    for (int y = 0; y < plane.height(); ++y) {
      const auto row = plane.row(y);
      out.write(reinterpret_cast<const char*>(row.data()),
                static_cast<std::streamsize>(row.size() * sizeof(float)));
    }
  };
  // Whole numbers up to 2000: the choice of direction does not hang on rounding.
  const Size size{49, 41};
  auto mosaic = noise_plane(size, 91, 1000.0, 120.0);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double r2 = (x - 24.3) * (x - 24.3) + (y - 19.6) * (y - 19.6);
      mosaic(x, y) = std::round(mosaic(x, y) + static_cast<float>(900.0 * std::exp(-r2 / 6.0)));
    }
  }
  write("mosaic", mosaic);
  const Mask good(size);
  SampleNoise noise;
  noise.variance = {9000.0F, 14400.0F, 12000.0F};
  noise.slope = {2.0F, 3.0F, 4.0F};
  noise.level = {1000.0F, 1000.0F, 1000.0F};
  const std::pair<const char*, Demosaic> methods[] = {
      {"bilinear", Demosaic::bilinear},
      {"own_lattice", Demosaic::own_lattice},
      {"gradient_corrected", Demosaic::gradient_corrected},
      {"lmmse", Demosaic::lmmse}};
  for (const auto pattern : all_patterns) {
    std::string tail("_");
    tail += to_string(pattern);
    for (const auto& [name, method] : methods) {
      Planes out(size);
      demosaic_band(mosaic.cview(), good.cview(), whole(size), size, pattern, method, whole(size),
                    out.views, out.bits, noise);
      for (int c = 0; c < 3; ++c)
        write(std::string(name).append(tail).append(std::to_string(c)), out.planes[c]);
    }
    Planes out(half_size_of(size));
    half_size_band(mosaic.cview(), good.cview(), whole(size), pattern, whole(half_size_of(size)),
                   out.views, out.bits);
    for (int c = 0; c < 3; ++c)
      write(std::string("half").append(tail).append(std::to_string(c)), out.planes[c]);
  }
}
