// The sky of a group's subs beside the smooth shapes of its masters.
#pragma once

#include <vector>

#include "coldframe/sensor/calibration_checks.hpp"
#include "group_state.hpp"

namespace coldframe::session {

struct Shapes {
  std::vector<sensor::ShapePoint> flat;  ///< sky against the flat
  std::vector<sensor::ShapePoint> dark;  ///< sky against the dark
  std::vector<sensor::ShapePoint> light_in_dark;
  double flat_range = 0.0;
  double dark_range = 0.0;
  double sky = 0.0;    ///< calibrated units
  double noise = 0.0;  ///< of a pixel
};

/// The sky of all subs on the sensor: what moves with the sky averages out, what masters leave
/// stays.
[[nodiscard]] Shapes shapes_of(const GroupState& group, const pipeline::Calibration& how);

}  // namespace coldframe::session
