/// \file
/// Two emission lines behind a dual-band filter, told apart by the colours of a mosaic sensor.
///
/// Each colour sees v_c = M_c1 a + M_c2 b with the crosstalk matrix M (3 x 2). Per pixel, a and b
/// are the weighted least-squares solution with weights 1 / sd_c^2 (Aitken 1935), and their
/// variances are the diagonal of (M' W M)^-1. Errors of the colours must be independent: true for
/// demosaicing that does not mix colours.
#pragma once

#include <array>
#include <span>
#include <string>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// What red, green and blue record of one unit of each line: [colour][line].
struct Crosstalk {
  std::array<std::array<double, 2>, 3> response{};

  /// All faults in words: entries that are no numbers or negative, a line that no colour sees,
  /// lines that cannot be told apart (condition above `worst_condition`).
  [[nodiscard]] std::vector<std::string> faults() const;
  /// Ratio of the singular values of the matrix with its columns brought to length 1: 1 for colours
  /// that see one line each; errors of the colours can grow by about this factor.
  [[nodiscard]] double condition() const noexcept;
  static constexpr double worst_condition = 20.0;

  /// A red line (H-alpha, [S II]) and [O III] on a common mosaic sensor behind clear glass: the red
  /// line 1, 0.12, 0.05; [O III] 0.06, 1, 0.6 in red, green, blue. From memory of published
  /// response curves, no source; sensors differ by some 0.05.
  [[nodiscard]] static Crosstalk usual() noexcept {
    return {{{{1.0, 0.06}, {0.12, 1.0}, {0.05, 0.6}}}};
  }
};

/// Planes of one band: red, green, blue values and standard deviations; two lines with theirs.
struct LineBand {
  PlaneView<const float> value[3];
  PlaneView<const float> sd[3];
  PlaneView<float> line[2];
  PlaneView<float> line_sd[2];
};

/// Separates a band. Colours that are not finite (or have no positive sd) take no part; with fewer
/// than two, or where the rest cannot tell the lines apart, both lines are NaN.
void separate_lines(const LineBand& band, const Crosstalk& crosstalk);

/// Correlation of the errors of the two lines for colours of these standard deviations.
[[nodiscard]] double line_correlation(const Crosstalk& crosstalk,
                                      const std::array<double, 3>& sd) noexcept;

}  // namespace coldframe::sensor
