/// \file
/// Colour filter array of a one-shot-colour sensor.
#pragma once

#include <cstdint>
#include <string_view>

namespace coldframe {

/// 2x2 pattern named by the colours of pixels (0,0) (1,0) / (0,1) (1,1), in FITS
/// row order (first row of the file is y = 0). `none` for a monochrome sensor.
enum class CfaPattern : std::uint8_t { none, rggb, bggr, grbg, gbrg };

/// Colour of pixel (x, y): 0 red, 1 green, 2 blue; always 0 for `none`.
[[nodiscard]] constexpr int cfa_colour(CfaPattern pattern, int x, int y) noexcept {
  constexpr std::uint8_t table[5][4] = {
      {0, 0, 0, 0}, {0, 1, 1, 2}, {2, 1, 1, 0}, {1, 0, 2, 1}, {1, 2, 0, 1}};
  const auto cell = static_cast<unsigned>((x & 1) + 2 * (y & 1));
  return table[static_cast<unsigned>(pattern)][cell];
}

/// The pattern as seen from a frame whose pixel (0,0) is pixel (dx, dy) of this one.
[[nodiscard]] constexpr CfaPattern cfa_shifted(CfaPattern pattern, int dx, int dy) noexcept {
  if (pattern == CfaPattern::none) return pattern;
  for (const auto candidate :
       {CfaPattern::rggb, CfaPattern::bggr, CfaPattern::grbg, CfaPattern::gbrg}) {
    bool same = true;
    for (int y = 0; y < 2; ++y) {
      for (int x = 0; x < 2; ++x) {
        same = same && cfa_colour(candidate, x, y) == cfa_colour(pattern, x + dx, y + dy);
      }
    }
    if (same) return candidate;
  }
  return pattern;
}

/// "RGGB" etc.; empty for none.
[[nodiscard]] std::string_view to_string(CfaPattern pattern) noexcept;
/// Reads "RGGB", "bggr", ...; `none` for anything else.
[[nodiscard]] CfaPattern cfa_from_string(std::string_view text) noexcept;

}  // namespace coldframe
