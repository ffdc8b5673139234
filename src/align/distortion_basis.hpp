/// \file
/// Basis functions of the distortion models.
#pragma once

#include <vector>

#include "coldframe/align/distortion.hpp"

namespace coldframe::align {

/// x and y components of every basis function at a recorded position, normalised to about 1
/// at the frame's corners.
struct BasisValues {
  std::vector<double> x, y;
};
void basis_at(const Distortion& optics, Point p, BasisValues& out);

}  // namespace coldframe::align
