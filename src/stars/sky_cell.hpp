/// \file
/// Level and noise of the sky in one cell of the mesh.
#pragma once

#include <span>

namespace coldframe::stars {

struct SkyCell {
  float level = 0.0F;
  float noise = 0.0F;
  bool valid = false;
};

/// Fewest values that make a cell's statistics worth having.
inline constexpr int least_cell_values = 32;

/// sd of a unit Gaussian after clipping at +-kappa of its own sd until nothing
/// changes (the fixed point s = sd of N(0,1) truncated at +-kappa s).
[[nodiscard]] double clipped_sd_fixed_point(double kappa) noexcept;
/// sd of a unit Gaussian truncated once at +-kappa.
[[nodiscard]] double truncated_sd(double kappa) noexcept;

/// Limits and the corrections that go with them.
struct CellClipping {
  CellClipping(double kappa_sigma, int rounds) noexcept
      : kappa(kappa_sigma),
        max_iterations(rounds),
        fixed_point(clipped_sd_fixed_point(kappa_sigma)),
        truncated(truncated_sd(kappa_sigma)) {}
  double kappa;
  int max_iterations;
  double fixed_point;
  double truncated;
};

/// Robust level and noise of finite `values`.
[[nodiscard]] SkyCell estimate_cell(std::span<const float> values,
                                    const CellClipping& clipping) noexcept;

}  // namespace coldframe::stars
