/// \file
/// Interpolation kernels: exact definitions in double, and the float weights that
/// the resampling rows use.
///
/// Six taps at floor(s) - 2 ... floor(s) + 3 with u = s - floor(s) - 1/2 in
/// [-1/2, 1/2]. The Lanczos-3 weights divided by their sum reproduce a constant but not a
/// ramp, so the kernel's spectrum passes through one cycle per pixel with a slope; on turned
/// grids that moved the light of a sharp star by up to 0.3 % with its position. The smallest
/// change (least squares, below 0.003) that reproduces ramps mends it: c (k - 5/2) is added
/// to tap k. The slope is gone then (Strang & Fix 1971), and with it the error.
/// The weights are smooth functions of u; by symmetry taps k and 5 - k are E(q) +- u O(q) with
/// q = u^2. E and O are minimax polynomials (Lawson iteration) in z = q - 1/4, factored so
/// that integer positions reproduce a sample exactly; they differ from the definition by less
/// than 1e-7, tested.
#pragma once

#include <cmath>

#include "coldframe/align/resample.hpp"

namespace coldframe::align {

inline constexpr int tap_count = 6;
inline constexpr int taps_before = 2;  ///< taps left of floor(s)
inline constexpr int taps_after = 3;   ///< taps right of it

/// Where source pixels per destination pixel exceed this, kernels are stretched by their number.
inline constexpr double stretch_threshold = 1.02;

/// Not normalised. Lanczos-3: sinc(x) sinc(x/3); Keys (1981) with a = -1/2; a tent.
[[nodiscard]] double kernel_value(Kernel kernel, double x) noexcept;
/// Weights of the six taps at fraction t = s - floor(s), by definition.
void exact_weights(Kernel kernel, double t, double* weights) noexcept;
/// Weights of the `count` taps from `first` on for position s of a kernel stretched by `factor` >
/// 1; they sum to 1. Lanczos-3 with all its taps is changed so that polynomials up to the third
/// degree are reproduced (the change being a cubic in the distance under a parabola that ends where
/// the kernel ends): the light of stars of FWHM 3 destination pixels is kept to 0.3 % then at all
/// factors, to 0.1 % from 1.4 on.
[[nodiscard]] inline int first_tap(double s, double factor) noexcept {
  return static_cast<int>(std::ceil(s - taps_after * factor));
}
[[nodiscard]] inline int last_tap(double s, double factor) noexcept {
  return static_cast<int>(std::floor(s + taps_after * factor));
}
void stretched_weights(Kernel kernel, double s, double factor, int first, int count,
                       double* weights) noexcept;

/// Constants of the Lanczos-3 polynomials, lowest power of z first. The central odd part follows
/// from the ramp.
struct LanczosPolynomials {
  float even_outer[4]{-0.10337729F, -0.00706101255F, 0.0547625385F, -0.0232442711F};
  float odd_outer[4]{0.157314345F, -0.124487683F, 0.03658415F, -0.0325079374F};
  float even_inner[4]{0.516865134F, -0.105967537F, -0.00684748078F, -0.0351366922F};
  float odd_inner[4]{-0.649889827F, 0.40742597F, -0.151833609F, 0.132952929F};
};
inline constexpr LanczosPolynomials lanczos_polynomials{};

[[nodiscard]] inline float cubic_in(const float (&c)[4], float z) noexcept {
  return ((c[3] * z + c[2]) * z + c[1]) * z + c[0];
}

/// The weights as the resampling rows use them; this order of operations is the definition.
inline void lanczos_weights(float u, float* w) noexcept {
  constexpr const LanczosPolynomials& c = lanczos_polynomials;
  const float z = u * u - 0.25F;
  const float zu = z * u;
  const float even_outer = z * cubic_in(c.even_outer, z);
  const float odd_outer = zu * cubic_in(c.odd_outer, z);
  const float even_inner = z * cubic_in(c.even_inner, z);
  const float odd_inner = zu * cubic_in(c.odd_inner, z);
  const float even_central = (0.5F - even_outer) - even_inner;
  const float odd_central = ((0.0F - u) - 5.0F * odd_outer) - 3.0F * odd_inner;
  w[0] = even_outer + odd_outer;
  w[1] = even_inner + odd_inner;
  w[2] = even_central + odd_central;
  w[3] = even_central - odd_central;
  w[4] = even_inner - odd_inner;
  w[5] = even_outer - odd_outer;
}

inline void bicubic_weights(float u, float* w) noexcept {
  const float t = u + 0.5F;
  const float s = 0.5F - u;
  w[0] = 0.0F;
  w[1] = -0.5F * ((t * s) * s);
  w[4] = -0.5F * ((t * t) * s);
  w[2] = ((1.5F * t - 2.5F) * t) * t + 1.0F;
  w[3] = ((1.5F * s - 2.5F) * s) * s + 1.0F;
  w[5] = 0.0F;
}

inline void bilinear_weights(float u, float* w) noexcept {
  w[0] = w[1] = w[4] = w[5] = 0.0F;
  w[2] = 0.5F - u;
  w[3] = u + 0.5F;
}

inline void tap_weights(Kernel kernel, float u, float* w) noexcept {
  if (kernel == Kernel::bilinear) return bilinear_weights(u, w);
  if (kernel == Kernel::bicubic) return bicubic_weights(u, w);
  lanczos_weights(u, w);
}

}  // namespace coldframe::align
