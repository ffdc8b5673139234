#include "coldframe/sensor/masters.hpp"

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <limits>
#include <string>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/sensor/calibrate.hpp"
#include "coldframe/sensor/defects.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::Camera;
using test_frames::expose;
using test_frames::Near;
using test_frames::Stack;

namespace {

const Camera camera{0.8, 3.5, 400.0};

/// A dark of 20 e with one pixel in 500 hot (exponential-like ladder up to 3000 e).
double dark_electrons(int x, int y) {
  const int id = y * 1009 + x;
  return id % 500 == 3 ? 100.0 * (1 + id / 500 % 30) : 20.0;
}

Stack darks(Size size, int count, std::uint64_t seed) {
  Stack stack;
  for (int i = 0; i < count; ++i) {
    stack.add(expose(size, camera, seed, static_cast<std::uint32_t>(i), dark_electrons));
  }
  return stack;
}

double dark_truth(int x, int y) {
  return dark_electrons(x, y) / camera.gain_e_per_adu + camera.offset_adu;
}

/// Mean square of (value - truth) / standard error over pixels where `count(x, y)`.
template <typename Truth, typename Count>
double mean_square_pull(const Master& master, Truth&& truth, Count&& counts) {
  double sum = 0.0;
  double n = 0.0;
  for (int y = 0; y < master.value.height(); ++y) {
    for (int x = 0; x < master.value.width(); ++x) {
      if (!counts(x, y)) continue;
      const double d = static_cast<double>(master.value(x, y)) - truth(x, y);
      sum += d * d / static_cast<double>(master.variance(x, y));
      n += 1.0;
    }
  }
  return sum / n;
}

const auto everywhere = [](int, int) { return true; };
const auto is_hot = [](int x, int y) { return dark_electrons(x, y) > 20.0; };

/// Vignetting, one dust ring-like spot, pixel response (1%) of an invented telescope.
double response(Size size, int x, int y) {
  const double u = (x - 0.5 * size.width) / (0.5 * size.width);
  const double v = (y - 0.45 * size.height) / (0.5 * size.width);
  const double r = std::hypot(x - 60.0, y - 40.0);
  const double dust = r > 5.0 && r < 9.0 ? 0.93 : 1.0;
  RandomStream random(99, 3, static_cast<std::uint64_t>(y) * 4096U + static_cast<std::uint64_t>(x));
  return (1.0 - 0.25 * (u * u + v * v)) * dust * (1.0 + 0.01 * random.normal());
}

Grid<float> response_map(Size size) {
  Grid<float> map(size);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) map(x, y) = static_cast<float>(response(size, x, y));
  }
  return map;
}

constexpr double colour_level[3] = {0.55, 1.0, 0.7};

double colour_response(const Grid<float>& map, CfaPattern cfa, int x, int y) {
  const double colour =
      cfa == CfaPattern::none ? 1.0 : colour_level[static_cast<std::size_t>(cfa_colour(cfa, x, y))];
  return colour * static_cast<double>(map(x, y));
}

bool same_master(const Master& a, const Master& b) {
  return test_frames::same_bits(a.value.view(), b.value.view()) &&
         test_frames::same_bits(a.variance.view(), b.variance.view()) && a.notes == b.notes &&
         a.noise_adu == b.noise_adu && a.frame_noise_adu == b.frame_noise_adu;
}

}  // namespace

TEST_CASE("a master without rejection is the mean", "[masters]") {
  const Size size{130, 70};
  const Stack stack = darks(size, 5, 1);
  MasterOptions options;
  options.rule = stack::Rejection::none;
  const Master master = build_master(stack.pointers, nullptr, options, Threads{2});
  double worst = 0.0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      double sum = 0.0;
      for (const auto& frame : stack.frames) sum += static_cast<double>(frame->pixels()(x, y));
      worst =
          std::max(worst, std::abs(static_cast<double>(master.value(x, y)) / (sum / 5.0) - 1.0));
    }
  }
  CHECK(worst < 1e-7);
  CHECK(master.frames == 5);
  CHECK(master.level_adu == Near(425.0).margin(0.5));
}

TEST_CASE("masters do not depend on threads or bands", "[masters]") {
  const Size size{600, 75};
  const Stack stack = darks(size, 9, 2);
  for (const auto rule : {stack::Rejection::winsorised, stack::Rejection::noise_model}) {
    MasterOptions options;
    options.rule = rule;
    const Master once = build_master(stack.pointers, nullptr, options, Threads{1});
    for (const std::size_t rows : {1U, 5U, 40U}) {
      for (const int threads : {1, 2, 3, 8}) {
        options.memory_bytes = rows * 600U * 9U * 5U;
        CHECK(same_master(once, build_master(stack.pointers, nullptr, options, Threads{threads})));
      }
    }
  }
}

TEST_CASE("the variance of a dark master is honest", "[masters]") {
  const Size size{300, 220};
  for (const int count : {2, 3, 5, 8, 20}) {
    const Stack stack = darks(size, count, 3);
    const Master master = build_master(stack.pointers, nullptr, {}, Threads{2});
    INFO(count << " frames, frame noise " << master.frame_noise_adu);
    // 66,000 pixels: the mean square's own error is 0.5%; brief: honest within 5% (in noise, 10% in
    // variance). The rounding to codes (1/12) is in both.
    CHECK(mean_square_pull(master, dark_truth, everywhere) == Near(1.0).margin(0.06));
    // Hot pixels have shot noise of their own (130 of them: error 12%).
    CHECK(mean_square_pull(master, dark_truth, is_hot) == Near(1.0).margin(0.4));
    // check-values CAL-1: a master of N darks adds 1/N of one frame's variance.
    const double truth = std::sqrt((20.0 + 3.5 * 3.5) / (0.8 * 0.8) + 1.0 / 12.0);
    CHECK(master.frame_noise_adu == Near(truth).epsilon(0.02));
    CHECK(master.noise_adu == Near(truth / std::sqrt(count)).epsilon(0.025));
  }
}

TEST_CASE("cosmic rays in darks are rejected from three frames on", "[masters]") {
  const Size size{300, 220};
  for (const int count : {3, 4, 6, 12}) {
    Stack stack = darks(size, count, 4);
    // Every 97th pixel is hit in one frame, by 60 to 3000 ADU (8 to 400 sigma).
    const auto hit = [](int x, int y) { return (y * 300 + x) % 97 == 11; };
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        if (!hit(x, y)) continue;
        const auto frame = static_cast<std::size_t>((x + y) % count);
        stack.frames[frame]->pixels()(x, y) += 60.0F * static_cast<float>(1 + (x * 7 + y) % 50);
      }
    }
    for (const auto rule : {stack::Rejection::winsorised, stack::Rejection::noise_model}) {
      MasterOptions options;
      options.rule = rule;
      const Master master = build_master(stack.pointers, nullptr, options, Threads{2});
      INFO(count << " frames, " << stack::to_string(rule));
      const double pull = mean_square_pull(master, dark_truth, hit);
      CHECK(pull < 1.35);  // 680 hits: the error of the mean square is 5%; without rejection > 10
      int bad = 0;
      for (int y = 0; y < size.height; ++y) {
        for (int x = 0; x < size.width; ++x) {
          const double d = static_cast<double>(master.value(x, y)) - dark_truth(x, y);
          if (hit(x, y) &&
              std::abs(d) > 5.5 * std::sqrt(static_cast<double>(master.variance(x, y)))) {
            ++bad;
          }
        }
      }
      CHECK(bad <= 2);
    }
  }
}

TEST_CASE("flats: lamp drift, shape, noise and variance", "[masters]") {
  const Size size{320, 240};
  const auto map = response_map(size);
  for (const auto cfa : {CfaPattern::none, CfaPattern::grbg}) {
    Stack stack;
    const Camera flat_camera{0.8, 3.5, 400.0};
    for (int i = 0; i < 12; ++i) {
      const double lamp = 30000.0 * (1.0 - 0.03 * i);  // fades by a third
      auto frame = expose(size, flat_camera, 5, static_cast<std::uint32_t>(i),
                          [&](int x, int y) { return lamp * colour_response(map, cfa, x, y); });
      // A star in every flat, elsewhere each time (sky flats).
      for (int dy = -2; dy <= 2; ++dy) {
        for (int dx = -2; dx <= 2; ++dx) frame(20 + 20 * i + dx, 100 + dy) += 9000.0F;
      }
      stack.add(std::move(frame));
    }
    test_frames::MemorySource bias(Grid<float>(size, 400.0F));
    MasterOptions options;
    options.kind = MasterKind::flat;
    options.cfa = cfa;
    const Master master = build_master(stack.pointers, &bias, options, Threads{2});
    CHECK(master.frames == 12);
    CHECK(master.notes.empty());

    double means[3] = {};
    double truth_means[3] = {};
    double counts[3] = {};
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        const auto c = static_cast<std::size_t>(cfa_colour(cfa, x, y));
        means[c] += static_cast<double>(master.value(x, y));
        truth_means[c] += colour_response(map, cfa, x, y);
        counts[c] += 1.0;
      }
    }
    double excess = 0.0;
    double photon = 0.0;
    double pulls = 0.0;
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        const auto c = static_cast<std::size_t>(cfa_colour(cfa, x, y));
        const double truth = colour_response(map, cfa, x, y) * counts[c] / truth_means[c];
        const double relative = static_cast<double>(master.value(x, y)) / truth - 1.0;
        excess += relative * relative;
        // Sum of the lamp's electrons over the frames (mean factor 1 - 0.03 * 5.5).
        photon += 1.0 / (12.0 * 30000.0 * 0.835 * colour_response(map, cfa, x, y));
        const double d = static_cast<double>(master.value(x, y)) - truth;
        pulls += d * d / static_cast<double>(master.variance(x, y));
      }
    }
    const double pixels = static_cast<double>(size.count());
    INFO("rms " << std::sqrt(excess / pixels) << " photon " << std::sqrt(photon / pixels));
    // Issue 3: residual at most 0.1% rms beyond photon noise.
    CHECK(std::sqrt(std::max(excess - photon, 0.0) / pixels) < 0.001);
    CHECK(pulls / pixels == Near(1.0).margin(0.06));
    const std::size_t colours = cfa == CfaPattern::none ? 1 : 3;
    for (std::size_t c = 0; c < colours; ++c)
      CHECK(means[c] / counts[c] == Near(1.0).epsilon(1e-6));
  }
}

TEST_CASE("the noise of a flat master is the published figure", "[masters]") {
  // check-values CAL-1: 20 flats of 30000 e: relative noise 0.0012909944.
  const Size size{200, 160};
  Stack stack;
  for (int i = 0; i < 20; ++i) {
    stack.add(expose(size, {1.0, 0.0, 0.0}, 6, static_cast<std::uint32_t>(i),
                     [](int, int) { return 30000.0; }));
  }
  MasterOptions options;
  options.kind = MasterKind::flat;
  const Master master = build_master(stack.pointers, nullptr, options, Threads{2});
  CHECK(master.noise_adu == Near(0.0012909944).epsilon(0.015));
  CHECK(master.level_adu == Near(30000.0).epsilon(1e-4));
  CHECK(flat_level(master.value.view()) == Near(1.0).epsilon(1e-4));
}

TEST_CASE("unfit frames are left out and named", "[masters]") {
  const Size size{160, 128};
  const auto uniform = [](double e) { return [e](int, int) { return e; }; };
  Stack stack;
  for (std::uint32_t i = 0; i < 5; ++i) stack.add(expose(size, camera, 7, i, uniform(20000.0)));
  stack.add(Grid<float>(size, 65535.0F));               // 6: saturated
  stack.add(expose(size, camera, 7, 6, uniform(5.0)));  // 7: no light
  stack.add(
      expose(size, camera, 7, 7, [](int x, int) { return 15000.0 + 80.0 * x; }));  // 8: tilted
  test_frames::MemorySource bias(Grid<float>(size, 400.0F));
  MasterOptions options;
  options.kind = MasterKind::flat;
  const Master master = build_master(stack.pointers, &bias, options, Threads{2});
  CHECK(master.left_out == std::vector<int>{5, 6, 7});
  CHECK(master.frames == 5);
  REQUIRE(master.notes.size() == 4);
  CHECK(master.notes[0].text.find("frame 6: saturated") == 0);
  CHECK(master.notes[1].text.find("frame 7: too dim") == 0);
  CHECK(master.notes[2].text.find("frame 8: shape differs") == 0);

  Stack darks_and_light = darks(size, 4, 8);
  darks_and_light.add(expose(size, camera, 9, 0, uniform(3000.0)));
  const Master dark = build_master(darks_and_light.pointers, nullptr, {}, Threads{2});
  CHECK(dark.left_out == std::vector<int>{4});
}

TEST_CASE("pixels without a usable frame, and broken calls", "[masters]") {
  const Size size{64, 64};
  Stack stack = darks(size, 4, 10);
  constexpr float nan = std::numeric_limits<float>::quiet_NaN();
  for (auto& frame : stack.frames) {
    frame->pixels()(5, 6) = nan;
    frame->pixels()(7, 8) = 65535.0F;
  }
  stack.frames[1]->pixels()(9, 9) = nan;
  const Master master = build_master(stack.pointers, nullptr, {}, Threads{1});
  CHECK(std::isnan(master.value(5, 6)));
  CHECK((master.mask(5, 6) & mask_bit::not_finite) != 0);
  CHECK((master.mask(7, 8) & mask_bit::saturated) != 0);
  CHECK(master.value(7, 8) == 65535.0F);
  CHECK(master.mask(9, 9) == 0);
  CHECK(std::isfinite(master.value(9, 9)));

  const auto kind_of = [](auto&& call) {
    try {
      call();
    } catch (const Error& error) {
      return error.kind();
    }
    return ErrorKind::interrupted;
  };
  CHECK(kind_of([] { (void)build_master({}, nullptr, {}, Threads{1}); }) ==
        ErrorKind::not_enough_data);
  stack.add(Grid<float>(Size{64, 63}, 1.0F));
  CHECK(kind_of([&] { (void)build_master(stack.pointers, nullptr, {}, Threads{1}); }) ==
        ErrorKind::usage);
  Stack one = darks(size, 1, 11);
  CHECK(build_master(one.pointers, nullptr, {}, Threads{1}).notes.size() == 1);
}

TEST_CASE("telegraph pixels show in the variance and become defects", "[masters][defects]") {
  const Size size{200, 150};
  for (const int count : {10, 20}) {
    Stack stack = darks(size, count, 12);
    const auto telegraph = [](int x, int y) { return (y * 200 + x) % 301 == 17 && x > 2; };
    Mask jumps(size);
    int injected = 0;
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        if (!telegraph(x, y)) continue;
        RandomStream random(77, 1, static_cast<std::uint64_t>(y * 200 + x));
        int high = 0;
        for (auto& frame : stack.frames) {
          if (random.uniform() >= 0.4) continue;
          frame->pixels()(x, y) += 80.0F;  // 11 sigma
          ++high;
        }
        // One frame out of all cannot be told from a particle's hit.
        if (high < 2 || high > count - 2) continue;
        jumps(x, y) = 1;
        ++injected;
      }
    }
    const Master master = build_master(stack.pointers, nullptr, {}, Threads{2});
    Mask mask(size);
    (void)find_defects(master.value.view(), master.variance.view(), {}, master.frame_noise_adu,
                       CfaPattern::none, {}, mask.view(), Threads{2});
    int found = 0;
    int wrong = 0;
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        if (mask(x, y) == 0) continue;
        if (jumps(x, y) != 0) ++found;
        if (!telegraph(x, y) && !is_hot(x, y)) ++wrong;
      }
    }
    INFO(count << " frames: " << found << " of " << injected << ", wrong " << wrong);
    CHECK(found >= 0.99 * injected);  // issue 3
    CHECK(wrong <= 3);                // 0.01% of 30,000
  }
}

TEST_CASE("a neutral scene stays neutral", "[masters][calibrate]") {
  // Issue 3: to 0.2%. The whole way: raw colour flats and light with vignetting, per-colour flat,
  // demosaicing, ratio of the planes over the field.
  const Size size{256, 192};
  const CfaPattern cfa = CfaPattern::bggr;
  const auto map = response_map(size);
  const auto scene = [&](double level) {
    return [&, level](int x, int y) { return level * colour_response(map, cfa, x, y); };
  };
  Stack flats;
  for (std::uint32_t i = 0; i < 16; ++i) flats.add(expose(size, camera, 20, i, scene(40000.0)));
  test_frames::MemorySource bias(Grid<float>(size, 400.0F));
  MasterOptions options;
  options.kind = MasterKind::flat;
  options.cfa = cfa;
  const Master flat = build_master(flats.pointers, &bias, options, Threads{2});
  auto light = expose(size, camera, 21, 0, scene(30000.0));
  Grid<float> multiply(size);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) multiply(x, y) = 1.0F / flat.value(x, y);
  }
  Mask mask(size);
  CalibrationPlanes calibration;
  calibration.multiply = multiply.view();
  calibration.constant_subtract = 400.0F;
  calibrate_band(light.view(), whole(size), calibration, mask.view());
  Grid<float> planes[3] = {Grid<float>(size), Grid<float>(size), Grid<float>(size)};
  Mask masks[3] = {Mask(size), Mask(size), Mask(size)};
  PlaneView<float> plane_views[3] = {planes[0].view(), planes[1].view(), planes[2].view()};
  PlaneView<std::uint8_t> mask_views[3] = {masks[0].view(), masks[1].view(), masks[2].view()};
  demosaic_band(light.view(), mask.view(), whole(size), size, cfa, Demosaic::bilinear, whole(size),
                plane_views, mask_views);
  const auto cell_mean = [&](std::size_t c, int u, int v) {
    double sum = 0.0;
    for (int y = 48 * v; y < 48 * (v + 1); ++y) {
      for (int x = 64 * u; x < 64 * (u + 1); ++x) sum += static_cast<double>(planes[c](x, y));
    }
    return sum;
  };
  const double red = cell_mean(0, 1, 1) / cell_mean(1, 1, 1);
  const double blue = cell_mean(2, 1, 1) / cell_mean(1, 1, 1);
  for (int v = 0; v < 4; ++v) {
    for (int u = 0; u < 4; ++u) {
      CHECK(cell_mean(0, u, v) / cell_mean(1, u, v) / red == Near(1.0).margin(0.002));
      CHECK(cell_mean(2, u, v) / cell_mean(1, u, v) / blue == Near(1.0).margin(0.002));
    }
  }
}

TEST_CASE("samples for the cross-check with numpy and astropy", "[masters][crosscheck]") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  if (folder == nullptr) return;
  const Size size{96, 64};
  Stack stack = darks(size, 15, 30);
  for (int k = 0; k < 200; ++k) {  // hits
    stack.frames[static_cast<std::size_t>(k % 15)]->pixels()((k * 37) % 96, (k * 11) % 64) +=
        500.0F;
  }
  const auto write = [&](const std::string& name, const Grid<float>& plane) {
    std::ofstream file(std::string(folder) + "/sensor_" + name + ".f32", std::ios::binary);
    for (int y = 0; y < plane.height(); ++y) {
      file.write(reinterpret_cast<const char*>(plane.row(y).data()),
                 static_cast<std::streamsize>(plane.row(y).size() * sizeof(float)));
    }
    REQUIRE(file.good());
  };
  for (std::size_t i = 0; i < stack.frames.size(); ++i) {
    write("frame" + std::to_string(i), stack.frames[i]->pixels());
  }
  for (const auto& [rule, name] : {std::pair{stack::Rejection::none, "none"},
                                   std::pair{stack::Rejection::kappa_sigma, "kappa_sigma"},
                                   std::pair{stack::Rejection::winsorised, "winsorised"}}) {
    MasterOptions options;
    options.rule = rule;
    options.kappa = 4.0;
    const Master master = build_master(stack.pointers, nullptr, options, Threads{1});
    write(name, master.value);
  }
  // Without hot pixels the noise model is one number, which the other side is told: all 15 frames
  // by order, and 5 of them, too few for a scale per pixel, of the rule's own accord.
  Stack even;
  for (std::uint32_t i = 0; i < 15; ++i) {
    even.add(expose(size, camera, 31, i, [](int, int) { return 20.0; }));
  }
  for (int k = 0; k < 300; ++k) {
    even.frames[static_cast<std::size_t>(k % 15)]->pixels()((k * 37) % 96, (k * 11) % 64) +=
        20.0F + static_cast<float>(k % 40);
  }
  for (std::size_t i = 0; i < even.frames.size(); ++i) {
    write("even" + std::to_string(i), even.frames[i]->pixels());
  }
  for (const auto& [count, name] : {std::pair{15U, "noise_model"}, std::pair{5U, "few"}}) {
    MasterOptions options;
    if (count == 15U) options.rule = stack::Rejection::noise_model;
    const auto frames = std::span(even.pointers).first(count);
    const Master master = build_master(frames, nullptr, options, Threads{1});
    write(name, master.value);
    write(name + std::string("_sd"),
          Grid<float>(Size{1, 1}, static_cast<float>(master.frame_noise_adu)));
  }
}
