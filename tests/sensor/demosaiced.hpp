// Demosaicing whole frames in tests.
#pragma once

#include <utility>

#include "coldframe/sensor/demosaic.hpp"
#include "test_frames.hpp"

namespace test_frames {

using coldframe::Mask;
using coldframe::sensor::Demosaic;
using coldframe::sensor::SampleNoise;

inline constexpr Demosaic all_methods[] = {Demosaic::bilinear, Demosaic::gradient_corrected,
                                           Demosaic::lmmse, Demosaic::own_lattice};

struct Colours {
  Grid<float> planes[3];
  Mask masks[3];
};

inline Colours demosaic(const Grid<float>& mosaic, const Mask& mask, CfaPattern pattern,
                        Demosaic method, const SampleNoise& noise = {}) {
  Colours out;
  PlaneView<float> planes[3];
  PlaneView<std::uint8_t> masks[3];
  for (int c = 0; c < 3; ++c) {
    out.planes[c] = Grid<float>(mosaic.size());
    out.masks[c] = Mask(mosaic.size());
    planes[c] = out.planes[c].view();
    masks[c] = out.masks[c].view();
  }
  const auto all = coldframe::whole(mosaic.size());
  coldframe::sensor::demosaic_band(mosaic.view(), mask.view(), all, mosaic.size(), pattern, method,
                                   all, planes, masks, noise);
  return out;
}

}  // namespace test_frames
