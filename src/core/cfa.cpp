#include "coldframe/core/cfa.hpp"

#include <algorithm>
#include <cctype>
#include <string>

namespace coldframe {

std::string_view to_string(CfaPattern pattern) noexcept {
  switch (pattern) {
    case CfaPattern::rggb:
      return "RGGB";
    case CfaPattern::bggr:
      return "BGGR";
    case CfaPattern::grbg:
      return "GRBG";
    case CfaPattern::gbrg:
      return "GBRG";
    case CfaPattern::none:
      break;
  }
  return "";
}

CfaPattern cfa_from_string(std::string_view text) noexcept {
  for (const auto pattern :
       {CfaPattern::rggb, CfaPattern::bggr, CfaPattern::grbg, CfaPattern::gbrg}) {
    const auto name = to_string(pattern);
    if (std::equal(text.begin(), text.end(), name.begin(), name.end(), [](char a, char b) {
          return std::toupper(static_cast<unsigned char>(a)) == b;
        })) {
      return pattern;
    }
  }
  return CfaPattern::none;
}

}  // namespace coldframe
