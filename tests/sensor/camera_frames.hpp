// Pairs of flats and bias frames of a camera with every habit that photon transfer must bear.
#pragma once

#include <algorithm>
#include <vector>

#include "coldframe/sensor/mean_variance.hpp"
#include "test_frames.hpp"

namespace camera_frames {

using coldframe::CfaPattern;
using coldframe::Grid;
using coldframe::RandomStream;
using coldframe::Rect;
using coldframe::Size;
using test_frames::Camera;
using test_frames::MemorySource;

struct Habits {
  double prnu = 0.01;
  double vignetting = 0.3;  ///< loss in the corners
  double dsnu_e = 0.0;
  double hot_share = 0.0005;
  double fading = 0.0;  ///< of the lamp from one frame to the next
  CfaPattern cfa = CfaPattern::none;
  double red = 0.45, blue = 0.6;  ///< of green
  int shift_bits = 0;
  double clip_adu = 65535.0;  ///< before the shift
};

/// One raw frame at `electrons` in its centre; the pattern of the sensor is the same for all.
inline Grid<float> raw_frame(Size size, const Camera& camera, const Habits& habits,
                             double electrons, std::uint64_t seed, std::uint32_t frame) {
  const auto light = [&](int x, int y) {
    RandomStream pixel(77, 3, static_cast<std::uint64_t>(y) * 65536U + static_cast<unsigned>(x));
    const double response = 1.0 + habits.prnu * pixel.normal();
    const double dark = habits.dsnu_e * pixel.normal();
    const double hot = pixel.uniform() < habits.hot_share ? 8000.0 * pixel.uniform() : 0.0;
    const double u = 2.0 * x / size.width - 1.0;
    const double v = 2.0 * y / size.height - 1.0;
    double value = electrons * (1.0 - 0.5 * habits.vignetting * (u * u + v * v)) * response;
    if (habits.cfa != CfaPattern::none) {
      const int colour = coldframe::cfa_colour(habits.cfa, x, y);
      value *= colour == 0 ? habits.red : colour == 2 ? habits.blue : 1.0;
    }
    return value * (1.0 - habits.fading * frame) + dark + hot;
  };
  auto pixels = test_frames::expose(size, camera, seed, frame, light);
  const auto factor = static_cast<float>(1 << habits.shift_bits);
  for (int y = 0; y < size.height; ++y) {
    for (float& value : pixels.row(y)) {
      value = std::clamp(value, 0.0F, static_cast<float>(habits.clip_adu)) * factor;
    }
  }
  return pixels;
}

inline coldframe::sensor::PairBlocks measured(Size size, const Camera& camera, const Habits& habits,
                                              double electrons, std::uint64_t seed,
                                              const coldframe::sensor::PairOptions& options) {
  const MemorySource a(raw_frame(size, camera, habits, electrons, seed, 0));
  const MemorySource b(raw_frame(size, camera, habits, electrons, seed, 1));
  return coldframe::sensor::measure_pair(a, b, coldframe::whole(size), habits.cfa, options, {}, {});
}

inline std::vector<double> zero_levels(const coldframe::sensor::PairBlocks& dark) {
  std::vector<double> zero;
  for (const auto& block : dark.blocks) zero.push_back(block.level());
  return zero;
}

struct Transfer {
  std::vector<coldframe::sensor::DarkNoise> dark;
  std::vector<coldframe::sensor::TransferPoint> points;
  coldframe::sensor::TransferFit fit;
  coldframe::sensor::ReadNoise noise;
};

/// The least that the command asks for: two bias frames and two flats of `electrons`.
inline Transfer transfer(Size size, const Camera& camera, const Habits& habits, double electrons,
                         std::uint64_t seed) {
  namespace sensor = coldframe::sensor;
  Transfer result;
  sensor::PairOptions options;
  options.code_step = static_cast<double>(1 << habits.shift_bits);
  options.saturation_adu = habits.clip_adu * options.code_step;
  const auto dark = measured(size, camera, habits, 0.0, 2 * seed, options);
  const auto zero = zero_levels(dark);
  options.zero = zero;
  const auto flat = measured(size, camera, habits, electrons, 2 * seed + 1, options);
  result.dark = sensor::dark_noise({&dark, 1});
  result.points = sensor::transfer_points(flat, result.dark, 0);
  result.fit = sensor::fit_transfer(result.points, 0.7 * options.saturation_adu);
  result.noise = sensor::read_noise(result.dark, options.code_step, result.fit);
  return result;
}

}  // namespace camera_frames
