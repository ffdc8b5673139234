// UNCERT of calibrated frames against simulated truth: (value - truth) / error must have unit
// scatter within 3% (issue: 'Uncertainty'), from 5 to 60 calibration frames.
#include "coldframe/pipeline/calibrated_noise.hpp"

#include <cmath>

#include "../sensor/test_frames.hpp"
#include "catch.hpp"
#include "coldframe/sensor/masters.hpp"

using namespace coldframe;
using namespace coldframe::pipeline;
using test_frames::Camera;
using test_frames::MemorySource;
using test_frames::Stack;

namespace {

constexpr Size size{240, 160};
constexpr Camera camera{0.8, 4.0, 500.0};

/// What the sensor does to light: vignetting, pixel response and a piece of dust.
double response(int x, int y) {
  const double r2 = std::pow((x - 120.0) / 120.0, 2) + std::pow((y - 80.0) / 80.0, 2);
  RandomStream random(5, 1, static_cast<std::uint64_t>(y * size.width + x));
  const double dust = std::hypot(x - 60.0, y - 50.0) < 9.0 ? 0.9 : 1.0;
  return (1.0 - 0.15 * r2) * (1.0 + 0.01 * random.normal()) * dust;
}

double dark_electrons(int x, int y) {
  RandomStream random(6, 2, static_cast<std::uint64_t>(y * size.width + x));
  return random.uniform() < 0.004 ? 40.0 + 200.0 * random.uniform() : 12.0;
}

/// Sky and a field of stars of FWHM 3 px, from barely visible to bright; or flat light.
struct Scene {
  double sky = 0.0;
  bool stars = false;

  [[nodiscard]] double operator()(int x, int y) const {
    double light = sky;
    if (!stars) return light;
    for (int k = 0; k < 24; ++k) {
      RandomStream random(7, 3, static_cast<std::uint64_t>(k));
      const double cx = 10.0 + random.uniform() * (size.width - 20);
      const double cy = 10.0 + random.uniform() * (size.height - 20);
      const double peak = 30.0 * std::pow(1.4, k);
      const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
      if (r2 < 400.0) light += peak * std::exp(-r2 / (2.0 * 1.274 * 1.274));
    }
    return light;
  }
};

Stack frames(int count, std::uint64_t seed, const std::function<double(int, int)>& electrons) {
  Stack stack;
  for (int i = 0; i < count; ++i) {
    stack.add(test_frames::expose(size, camera, seed, static_cast<std::uint32_t>(i), electrons));
  }
  return stack;
}

struct Masters {
  sensor::Master dark, flat;
  double mean_response = 0.0;  ///< what the flat was divided by

  explicit Masters(int count) {
    const Stack darks = frames(count, 21, dark_electrons);
    dark = sensor::build_master(darks.pointers, nullptr, {}, Threads{2});
    const Stack biases = frames(count, 22, [](int, int) { return 0.0; });
    const auto bias = sensor::build_master(biases.pointers, nullptr, {}, Threads{2});
    const MemorySource level(bias.value.clone());
    Grid<float> sd(size);
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) sd(x, y) = std::sqrt(bias.variance(x, y));
    }
    const MemorySource uncertainty(std::move(sd));
    const Stack flats = frames(count, 23, [](int x, int y) { return 12000.0 * response(x, y); });
    sensor::MasterOptions options;
    options.kind = sensor::MasterKind::flat;
    options.subtract_uncertainty = &uncertainty;
    flat = sensor::build_master(flats.pointers, &level, options, Threads{2});
    double sum = 0.0;
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) sum += response(x, y);
    }
    mean_response = sum / static_cast<double>(size.count());
  }
};

/// Root mean square of (value - truth) / error over the good pixels, calibrated with `in`.
double scatter(const CalibrationInputs& in, double mean_response, const Scene& scene,
               std::uint32_t seed) {
  const Calibration calibration = prepare_calibration(in, Threads{2});
  const MemorySource light(test_frames::expose(size, camera, seed, 0, [&](int x, int y) {
    return scene(x, y) * response(x, y) + dark_electrons(x, y);
  }));
  Grid<float> values(size);
  Grid<float> error(size);
  Mask mask(size);
  // In two bands: the division must not show.
  for (const Rect& band : {Rect{0, 0, size.width, 71}, Rect{0, 71, size.width, size.height}}) {
    read_calibrated_with_error(light, calibration, band, values.view().crop(band),
                               mask.view().crop(band), error.view().crop(band));
  }
  double sum = 0.0;
  int count = 0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      if (mask(x, y) != 0) continue;
      const double truth = scene(x, y) * mean_response;
      const double chi =
          (static_cast<double>(values(x, y)) - truth) / static_cast<double>(error(x, y));
      sum += chi * chi;
      ++count;
    }
  }
  REQUIRE(count > 0.98 * static_cast<double>(size.count()));
  return std::sqrt(sum / count);
}

double scatter(const Masters& masters, const Scene& scene, std::uint32_t seed) {
  CalibrationInputs in;
  in.frame = size;
  in.dark = &masters.dark;
  in.flat = &masters.flat;
  in.gain_e_per_adu = camera.gain_e_per_adu;
  in.frame_noise_adu = masters.dark.frame_noise_adu;
  in.keep_variance = true;
  return scatter(in, masters.mean_response, scene, seed);
}

}  // namespace

TEST_CASE("errors of calibrated frames have unit scatter against truth", "[pipeline][noise]") {
  // 38,000 pixels: the scatter itself is known to 0.4%; the issue asks for 3%.
  for (const int count : {5, 12, 60}) {
    const Masters masters(count);
    CAPTURE(count);
    CHECK(std::fabs(scatter(masters, {20000.0, false}, 31) - 1.0) < 0.03);  // a flat field
    CHECK(std::fabs(scatter(masters, {30.0, false}, 32) - 1.0) < 0.03);     // a dark sky
    CHECK(std::fabs(scatter(masters, {150.0, true}, 33) - 1.0) < 0.03);     // a star field
    CHECK(std::fabs(scatter(masters, {0.0, false}, 34) - 1.0) < 0.03);      // no light at all
  }
}

TEST_CASE("the masters' shared noise is told per block", "[pipeline][noise]") {
  const Masters masters(5);
  CalibrationInputs in;
  in.frame = size;
  in.dark = &masters.dark;
  in.flat = &masters.flat;
  in.gain_e_per_adu = camera.gain_e_per_adu;
  in.frame_noise_adu = masters.dark.frame_noise_adu;
  const Calibration calibration = prepare_calibration(in, Threads{1});
  CHECK(calibration.noise.subtract.empty());
  // By hand, electrons: dark mean of 5 frames of 4 e read noise and 12 e, plus rounding to codes of
  // 0.8 e; flats of 5 x 12,000 e (times the response there).
  const double inverse = calibration.inverse_flat_at(120, 80);
  const double dark = (16.0 + 12.0 + 0.64 / 12.0) / 5.0 * inverse * inverse;
  const double light = 20000.0;
  const double flat = light * light / (5.0 * 12000.0 / inverse * masters.mean_response);
  CHECK(calibration.shared_variance_at(120, 80, 0.0) == test_frames::Near(dark).epsilon(0.06));
  CHECK(calibration.shared_variance_at(120, 80, light) ==
        test_frames::Near(dark + flat).epsilon(0.06));
}

TEST_CASE("errors with a dark of another exposure, scaled, have unit scatter too",
          "[pipeline][noise]") {
  // Darks of 2.5 times the lights' exposure, and of half of it.
  for (const double exposure : {2.5, 0.5}) {
    for (const int count : {6, 25}) {
      const Masters masters(count);
      const Stack darks =
          frames(count, 24, [&](int x, int y) { return exposure * dark_electrons(x, y); });
      const auto dark = sensor::build_master(darks.pointers, nullptr, {}, Threads{2});
      const Stack biases = frames(count, 25, [](int, int) { return 0.0; });
      const auto bias = sensor::build_master(biases.pointers, nullptr, {}, Threads{2});
      CalibrationInputs in;
      in.frame = size;
      in.dark = &dark;
      in.bias = &bias;
      in.dark_scale = 1.0 / exposure;
      in.flat = &masters.flat;
      in.gain_e_per_adu = camera.gain_e_per_adu;
      in.frame_noise_adu = dark.frame_noise_adu;
      in.keep_variance = true;
      CAPTURE(exposure, count);
      CHECK(std::fabs(scatter(in, masters.mean_response, {30.0, false}, 35) - 1.0) < 0.03);
      CHECK(std::fabs(scatter(in, masters.mean_response, {150.0, true}, 36) - 1.0) < 0.03);
      CHECK(std::fabs(scatter(in, masters.mean_response, {0.0, false}, 37) - 1.0) < 0.03);

      // The factor's own doubt, 10%, comes on top where there is dark current.
      const auto sure = prepare_calibration(in, Threads{1});
      in.dark_scale_error = 0.1;
      const auto doubtful = prepare_calibration(in, Threads{1});
      for (int x = 0; x < size.width; ++x) {
        const double rate = static_cast<double>(dark.value(x, 7) - bias.value(x, 7)) / exposure;
        const double more = static_cast<double>(doubtful.noise.subtract(x, 7)) -
                            static_cast<double>(sure.noise.subtract(x, 7));
        CHECK(more == test_frames::Near(0.01 * rate * rate).margin(1e-3 * (1.0 + rate * rate)));
      }
    }
  }
}
