// How demosaicing and resampling change white noise, found by sending noise
// through the real code: no formula covers the adaptive demosaicing.
#include <algorithm>
#include <cmath>

#include "coldframe/core/random.hpp"
#include "coldframe/pipeline/combine_pass.hpp"
#include "combine_tile_loader.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int usual_side = 384;
constexpr int edge = 16;
constexpr std::uint32_t noise_stream = 0x6e6f6973;

struct Sums {
  double pixel = 0.0;
  double pixels = 0.0;
  ApertureFactors aperture{};
  ApertureFactors apertures{};
};

void add_pixels(PlaneView<const float> noise, PlaneView<const std::uint8_t> mask, Sums& sums) {
  for (int y = edge; y < noise.height() - edge; ++y) {
    for (int x = edge; x < noise.width() - edge; ++x) {
      if (mask(x, y) != 0) continue;
      sums.pixel += static_cast<double>(noise(x, y)) * static_cast<double>(noise(x, y));
      sums.pixels += 1.0;
    }
  }
}

void add_apertures(PlaneView<const float> noise, PlaneView<const std::uint8_t> mask, std::size_t k,
                   Sums& sums) {
  const int cell = aperture_sides[k];
  for (int j = edge; j + cell <= noise.height() - edge; j += cell) {
    for (int i = edge; i + cell <= noise.width() - edge; i += cell) {
      // Corners turned out of the frame hold no noise.
      if (mask(i, j) != 0 || mask(i + cell - 1, j) != 0 || mask(i, j + cell - 1) != 0 ||
          mask(i + cell - 1, j + cell - 1) != 0) {
        continue;
      }
      double sum = 0.0;
      for (int y = j; y < j + cell; ++y) {
        for (int x = i; x < i + cell; ++x) sum += static_cast<double>(noise(x, y));
      }
      sums.aperture[k] += sum * sum / (cell * cell);
      sums.apertures[k] += 1.0;
    }
  }
}

// White noise on the sensor, and what the combine pass would resample of it.
struct Trial {
  Size frame;  // of the planes below
  std::vector<Grid<float>> planes;
  std::vector<Mask> masks;
};

Grid<float> sensor_noise(Size size, unsigned trial, CfaPattern cfa,
                         const std::array<double, 3>& sd) {
  Grid<float> noise(size);
  RandomStream random(trial, noise_stream, 0);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      noise(x, y) =
          static_cast<float>(sd[static_cast<std::size_t>(cfa_colour(cfa, x, y))] * random.normal());
    }
  }
  return noise;
}

Trial fill_colours(Grid<float> noise, CfaPattern cfa, sensor::Demosaic demosaic,
                   const std::array<double, 3>& sd) {
  Trial trial;
  const Size size = noise.size();
  const bool half = cfa != CfaPattern::none && demosaic == sensor::Demosaic::half_size;
  trial.frame = half ? sensor::half_size_of(size) : size;
  for (int p = 0; p < (cfa != CfaPattern::none ? 3 : 1); ++p) {
    trial.planes.emplace_back(trial.frame);
    trial.masks.emplace_back(trial.frame);
  }
  if (cfa == CfaPattern::none) {
    trial.planes[0] = std::move(noise);
    return trial;
  }
  PlaneView<float> views[3];
  PlaneView<std::uint8_t> bits[3];
  sensor::SampleNoise known;
  for (std::size_t p = 0; p < 3; ++p) {
    views[p] = trial.planes[p].view();
    bits[p] = trial.masks[p].view();
    known.variance[p] = static_cast<float>(sd[p] * sd[p]);
  }
  const Mask good(size);
  if (half) {
    sensor::half_size_band(noise.cview(), good.cview(), whole(size), cfa, whole(trial.frame), views,
                           bits);
  } else {
    sensor::demosaic_band(noise.cview(), good.cview(), whole(size), size, cfa, demosaic,
                          whole(size), views, bits, known);
  }
  return trial;
}

}  // namespace

NoiseResponse noise_response(CfaPattern cfa, sensor::Demosaic demosaic,
                             const align::ResampleOptions& resample,
                             const std::array<double, 3>& noise_of_colour, double step) {
  const int side = static_cast<int>(std::clamp(usual_side * step, 1.0 * usual_side, 768.0));
  const int out_side = std::min(static_cast<int>(side / step), 768);
  const Size out_size{out_side, out_side};
  const bool half = cfa != CfaPattern::none && demosaic == sensor::Demosaic::half_size;
  std::vector<Sums> sums(3);
  for (unsigned number = 0; number < 8; ++number) {
    const Trial trial = fill_colours(sensor_noise({side, side}, number, cfa, noise_of_colour), cfa,
                                     demosaic, noise_of_colour);
    // A small turn runs through all sub-pixel phases.
    const double angle = 0.06 + 0.01 * number;
    const double c = std::cos(angle) / step;
    const double s = std::sin(angle) / step;
    const auto turn = Transform::affine(c, -s, 11.3 / step, s, c, -12.7 / step);
    Grid<float> out(out_size);
    Mask out_mask(out_size);
    for (std::size_t p = 0; p < trial.planes.size(); ++p) {
      const auto to_canvas =
          half ? lattice_transform(turn, 2.0, sensor::half_size_sample(cfa, static_cast<int>(p)))
               : turn;
      align::resample(trial.planes[p].cview(), trial.masks[p].cview(), whole(trial.frame),
                      trial.frame, to_canvas, whole(out_size), out.view(), out_mask.view(),
                      resample);
      add_pixels(out.cview(), out_mask.cview(), sums[p]);
      for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
        add_apertures(out.cview(), out_mask.cview(), k, sums[p]);
      }
    }
  }
  NoiseResponse response;
  // The resampler's own area ratio is taken out again.
  const double area = step * step / (half ? 4.0 : 1.0);
  for (std::size_t p = 0; p < (cfa != CfaPattern::none ? 3U : 1U); ++p) {
    const double variance = noise_of_colour[p] * noise_of_colour[p] * area * area;
    response.pixel[p] = sums[p].pixel / sums[p].pixels / variance;
    for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
      response.aperture[p][k] = sums[p].aperture[k] / sums[p].apertures[k] / variance;
    }
  }
  return response;
}

}  // namespace coldframe::pipeline
