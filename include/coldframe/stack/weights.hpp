/// \file
/// Weights of subs from their measured noise, transparency and seeing.
#pragma once

#include <span>
#include <string_view>
#include <vector>

namespace coldframe::stack {

enum class Weighting {
  inverse_variance,  ///< 1 / variance on the common scale: best for extended light
  point_source,      ///< after Zackay & Ofek 2017 (ApJ 836, 187): also falls with FWHM^2
  equal,
  owner  ///< a table of the owner's
};
[[nodiscard]] std::string_view to_string(Weighting weighting) noexcept;

struct SubNoise {
  double noise = 1.0;    ///< sd of a sky pixel, in the sub's own unit
  double scale = 1.0;    ///< factor to the reference's scale (1/transparency)
  double fwhm_px = 1.0;  ///< on the reference's grid
  double owner = 0.0;    ///< weight in the owner's table
};
/// Normalised to sum 1. Subs with noise <= 0 get 0.
[[nodiscard]] std::vector<double> sub_weights(std::span<const SubNoise> subs, Weighting weighting);

}  // namespace coldframe::stack
