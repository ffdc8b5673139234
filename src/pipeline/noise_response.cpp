// How demosaicing and resampling change white noise, found by sending noise
// through the real code: no formula covers the adaptive demosaicing.
#include <algorithm>
#include <cmath>

#include "coldframe/core/random.hpp"
#include "coldframe/pipeline/combine_pass.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int side = 384;
constexpr int edge = 16;
constexpr std::uint32_t noise_stream = 0x6e6f6973;

struct Sums {
  double pixel = 0.0;
  double pixels = 0.0;
  ApertureFactors aperture{};
  ApertureFactors apertures{};
};

void add_pixels(PlaneView<const float> noise, PlaneView<const std::uint8_t> mask, Sums& sums) {
  for (int y = edge; y < side - edge; ++y) {
    for (int x = edge; x < side - edge; ++x) {
      if (mask(x, y) != 0) continue;
      sums.pixel += static_cast<double>(noise(x, y)) * static_cast<double>(noise(x, y));
      sums.pixels += 1.0;
    }
  }
}

void add_apertures(PlaneView<const float> noise, PlaneView<const std::uint8_t> mask, std::size_t k,
                   Sums& sums) {
  const int cell = aperture_sides[k];
  for (int j = edge; j + cell <= side - edge; j += cell) {
    for (int i = edge; i + cell <= side - edge; i += cell) {
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

}  // namespace

NoiseResponse noise_response(CfaPattern cfa, sensor::Demosaic demosaic,
                             const align::ResampleOptions& resample,
                             const std::array<double, 3>& noise_of_colour) {
  const Size size{side, side};
  const bool mosaic = cfa != CfaPattern::none;
  const int planes = mosaic ? 3 : 1;
  std::vector<Sums> sums(3);
  for (unsigned trial = 0; trial < 8; ++trial) {
    Grid<float> noise(size);
    Mask mask(size);
    RandomStream random(trial, noise_stream, 0);
    for (int y = 0; y < side; ++y) {
      for (int x = 0; x < side; ++x) {
        const double sd = noise_of_colour[static_cast<std::size_t>(cfa_colour(cfa, x, y))];
        noise(x, y) = static_cast<float>(sd * random.normal());
      }
    }
    std::vector<Grid<float>> source(static_cast<std::size_t>(planes));
    std::vector<Mask> masks(static_cast<std::size_t>(planes));
    for (auto& plane : source) plane = Grid<float>(size);
    for (auto& plane : masks) plane = Mask(size);
    if (mosaic) {
      PlaneView<float> views[3] = {source[0].view(), source[1].view(), source[2].view()};
      PlaneView<std::uint8_t> bits[3] = {masks[0].view(), masks[1].view(), masks[2].view()};
      sensor::demosaic_band(noise.cview(), mask.cview(), whole(size), size, cfa, demosaic,
                            whole(size), views, bits);
    } else {
      source[0] = std::move(noise);
    }
    // A small turn runs through all sub-pixel phases.
    const double angle = 0.06 + 0.01 * trial;
    const auto turn = Transform::affine(std::cos(angle), -std::sin(angle), 11.3, std::sin(angle),
                                        std::cos(angle), -12.7);
    Grid<float> out(size);
    Mask out_mask(size);
    for (std::size_t p = 0; p < source.size(); ++p) {
      align::resample(source[p].cview(), masks[p].cview(), whole(size), size, turn, whole(size),
                      out.view(), out_mask.view(), resample);
      add_pixels(out.cview(), out_mask.cview(), sums[p]);
      for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
        add_apertures(out.cview(), out_mask.cview(), k, sums[p]);
      }
    }
  }
  NoiseResponse response;
  for (std::size_t p = 0; p < static_cast<std::size_t>(planes); ++p) {
    const double variance = noise_of_colour[p] * noise_of_colour[p];
    response.pixel[p] = sums[p].pixel / sums[p].pixels / variance;
    for (std::size_t k = 0; k < aperture_sides.size(); ++k) {
      response.aperture[p][k] = sums[p].aperture[k] / sums[p].apertures[k] / variance;
    }
  }
  return response;
}

}  // namespace coldframe::pipeline
