// The same piece of sky from both sides of a comparison, one grid and one stretch.
#pragma once

#include <string>

#include "coldframe/session/compare.hpp"

namespace coldframe::session {

struct PicturePair {
  std::string a_png, b_png;  ///< bytes; empty when the files cannot be read
};

/// On a's orientation, reduced to at most `longest` px; light of b on a's scale.
[[nodiscard]] PicturePair picture_pair(const Comparison& comparison, int longest);

}  // namespace coldframe::session
