/// \file
/// Joint adjustment of quantities that many subs see at common places.
///
/// Panels of a mosaic do not all touch the reference. Each pair of neighbours knows its own
/// difference, and the differences must fit together around every loop: a network, adjusted by
/// least squares as surveyors adjust heights (Helmert 1872; for star fluxes Padmanabhan et al.
/// 2008, ApJ 674, 1217). Sub i sees value v at place c; its unknowns a_i and the unknown truth S(c)
/// obey v + sum over t of phi_t a_it = S(c) + noise, with known factors phi. The same equation
/// serves logarithms of star fluxes (one unknown), sky levels (a polynomial over the sub's frame)
/// and coordinates of registered stars (shift, turn and scale; x and y as two places).
///
/// The places' truths are eliminated; the normal equations of the corrections are solved by
/// conjugate gradients on the sights themselves, so nothing grows with the square of the number of
/// subs. Outliers lose their weight beyond 3.5 robust sigma. One sub is held at zero.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <limits>
#include <span>
#include <vector>

namespace coldframe::stack {

inline constexpr std::size_t most_network_terms = 6;
using NetworkTerms = std::array<double, most_network_terms>;

struct Sight {
  std::uint32_t sub = 0;
  std::uint32_t place = 0;
  double value = 0.0;
  double variance = 1.0;  ///< expected; the scatter beyond it is found
  NetworkTerms factors{1.0};
};
/// 1, u, v, u^2, uv, v^2.
[[nodiscard]] constexpr NetworkTerms polynomial_factors(double u, double v) noexcept {
  return {1.0, u, v, u * u, u * v, v * v};
}

struct NetworkOptions {
  static constexpr double infinite = std::numeric_limits<double>::infinity();
  std::size_t terms = 1;  ///< unknowns of each sub, 1 to 6
  std::size_t fixed = 0;  ///< the sub whose unknowns are zero
  /// A weak rein on what overlaps hardly show; infinite: none.
  NetworkTerms expected_size{infinite, infinite, infinite, infinite, infinite, infinite};
  std::size_t least_shared = 3;  ///< places in common that join two subs' networks
};

struct NetworkFit {
  std::vector<NetworkTerms> corrections;  ///< by sub
  std::vector<bool> linked;               ///< by common places, step by step, to the fixed sub
  std::vector<std::size_t> shared;        ///< surviving sights of the sub at places others see too
  std::vector<double> first_error;  ///< of the first unknown, as far as the sub's own sights tell
  double excess = 0.0;              ///< standard deviation beyond the stated variances

  [[nodiscard]] double at(std::size_t sub, const NetworkTerms& factors) const noexcept;
};

/// Subs are numbered 0 to `subs` - 1, places likewise; a sub sees a place at most once. Corrections
/// of subs that are not linked are held by `expected_size` alone (zero when that is infinite).
/// Throws coldframe::Error(usage) on numbers out of range.
[[nodiscard]] NetworkFit adjust_network(std::span<const Sight> sights, std::size_t subs,
                                        std::size_t places, const NetworkOptions& options);

}  // namespace coldframe::stack
