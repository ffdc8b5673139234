/// \file
/// Positions and fluxes of close neighbours fitted together, all with the field's profile
/// (Stetson 1987, PASP 99, 191), so that none takes another's light.
#pragma once

#include <span>
#include <vector>

#include "stars/profile_lm.hpp"

namespace coldframe::stars {

/// A source of a group: first guess in, result out.
struct GroupMember {
  double x = 0.0, y = 0.0;
  double flux = 0.0;  ///< image units
  double sky = 0.0;
  FitResult fit;
};

struct GroupSetup {
  ParameterVector shape{};  ///< s11, s12, s22 and b count
  bool gaussian = false;
  double radius_px = 4.0;  ///< about each member
  double sky_sigma = 1.0;
  double gain_e_per_unit = 1.0;
  CfaPattern cfa = CfaPattern::none;
  const OtherLight* others = nullptr;
};

inline constexpr std::size_t max_group = 16;

/// Scratch, grown as needed and kept from group to group.
struct GroupWorkspace {
  std::vector<float> x, y, value, weight, around, residual, scratch;
  std::vector<std::vector<float>> light, slope_x, slope_y;  ///< per member and pixel
  std::vector<float> unused;
  std::vector<double> normal, factor;
};

/// At most `max_group` members. Results are in `members[].fit` (shape as given).
void fit_group(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
               const GroupSetup& setup, std::span<GroupMember> members, GroupWorkspace& work);

}  // namespace coldframe::stars
