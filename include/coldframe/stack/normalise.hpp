/// \file
/// Bringing subs to the reference's scale: transparency from common stars, sky
/// level or a smooth surface of sky differences.
#pragma once

#include <span>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::stack {

/// Flux of one star in sub and reference, with errors.
struct FluxPair {
  double sub = 0.0;
  double reference = 0.0;
  double sub_error = 0.0;
  double reference_error = 0.0;
};

struct ScaleEstimate {
  bool usable = false;  ///< false: fewer than 3 pairs, scale is 1
  double scale = 1.0;   ///< reference = scale * sub
  double error = 0.0;
  std::size_t pairs = 0;  ///< survivors
};
/// Robust weighted mean of ln(reference/sub), outliers (variables, blends) left out.
[[nodiscard]] ScaleEstimate estimate_scale(std::span<const FluxPair> pairs);

/// Sky of both frames at one position of the reference's grid.
struct SkyPair {
  Point position;    ///< reference grid
  double sub = 0.0;  ///< already multiplied by the scale
  double reference = 0.0;
  double weight = 1.0;
};

enum class SkyMatching { none, level, surface };

/// reference - sub as Chebyshev polynomials T_i(u) T_j(v), i + j <= order, with u, v in [-1, 1]
/// over the reference frame.
struct SkySurface {
  Size frame;
  int order = 0;
  std::vector<double> coefficients;  ///< by total degree, falling power of u
  double rms = 0.0;                  ///< of the survivors' residuals
  [[nodiscard]] double at(double x, double y) const noexcept;
};
/// Robust fit (iterated clipping at 3 robust sigma; cells with objects count less). `order` is the
/// highest; lower ones are taken when the positions do not support it or the differences do not ask
/// for it.
[[nodiscard]] SkySurface fit_sky_difference(std::span<const SkyPair> pairs, Size frame,
                                            SkyMatching method, int order = 3);

/// Brings all surfaces together to the weighted mean of their slopes: what is left is each sub
/// against all others, and the noise of the one reference's sky, which is in every surface alike,
/// goes. Levels stay the reference's. All have the same frame; the reference's own (zero) is among
/// them.
void take_out_mean_slopes(std::span<SkySurface* const> surfaces, std::span<const double> weights);

}  // namespace coldframe::stack
