// What a filter's name says of the emission lines it passes.
#pragma once

#include <array>
#include <string>
#include <string_view>

namespace coldframe::session {

struct FilterLines {
  enum class Kind {
    unknown,  ///< the name does not tell (or there is none)
    two,      ///< a red line and [O III] or H-beta
    other     ///< one line, more than two, or a broad band
  };
  Kind kind = Kind::unknown;
  std::array<std::string, 2> lines;  ///< for `two`: the red one first, "Ha", "OIII"...
};

/// "Ha+OIII", "OIII/Ha", "Dual band", "SII-OIII 6nm", "duo"...: two lines (Ha and OIII where only
/// "dual" or "duo" is said). "L", "red", "Ha", "clear"...: other.
[[nodiscard]] FilterLines lines_of_filter(std::string_view filter);

/// True for a red line followed by [O III].
[[nodiscard]] bool usual_crosstalk_holds(const std::array<std::string, 2>& lines);

/// One spelling per line: "h-alpha" -> "Ha", "[O III]" -> "OIII"; empty for what is no line.
[[nodiscard]] std::string line_name(std::string_view text);

}  // namespace coldframe::session
