/// \file
/// The inner loop of the star fits: one profile, integrated over pixels, with its derivatives.
///
/// The scalar version defines the result; the vector versions do the same operations in the
/// same order (no fused multiply-add) and give the same bits.
#pragma once

#include <array>
#include <cstddef>

namespace coldframe::stars {

/// The profile's numbers as the loop wants them (see profile_model.hpp).
struct ProfileShape {
  float x = 0.0F, y = 0.0F;
  float s11 = 0.0F, s12 = 0.0F, s22 = 0.0F;
  float k = 0.0F;  ///< 2^b - 1
  float beta = 0.0F;
  float log_factor = 0.0F;    ///< ln2 / b^2
  float slope_factor = 0.0F;  ///< (dk/db) / b
  bool gaussian = false;
};

/// Offsets from the pixel's centre and weights.
struct PixelNodes {
  std::array<float, 25> x{};
  std::array<float, 25> y{};
  std::array<float, 25> weight{};
  std::size_t count = 0;
};

/// Input and output arrays; none overlap.
struct ProfileArrays {
  const float* x;
  const float* y;
  float* g;
  float* hx;
  float* hy;
  float* hxx;
  float* hxy;
  float* hyy;
  float* gb;  ///< zero for a Gaussian
  [[nodiscard]] ProfileArrays from(std::size_t i) const noexcept {
    return {x + i, y + i, g + i, hx + i, hy + i, hxx + i, hxy + i, hyy + i, gb + i};
  }
};

void integrate_profile(const ProfileShape& shape, const PixelNodes& nodes,
                       const ProfileArrays& arrays, std::size_t count) noexcept;
/// The light alone, without derivatives: `g` of integrate_profile, the same bits.
void integrate_light(const ProfileShape& shape, const PixelNodes& nodes, const float* x,
                     const float* y, float* g, std::size_t count) noexcept;
void integrate_light_scalar(const ProfileShape& shape, const PixelNodes& nodes, const float* x,
                            const float* y, float* g, std::size_t count) noexcept;

void integrate_profile_scalar(const ProfileShape& shape, const PixelNodes& nodes,
                              const ProfileArrays& arrays, std::size_t count) noexcept;

/// Sum of a[i] b[i]: sixteen sums in float, element i into sum i mod 16, then these added up in
/// double.
[[nodiscard]] double dot(const float* a, const float* b, std::size_t count) noexcept;
[[nodiscard]] double dot_scalar(const float* a, const float* b, std::size_t count) noexcept;

}  // namespace coldframe::stars
