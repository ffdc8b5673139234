#include "coldframe/core/star.hpp"

namespace coldframe {

std::string_view to_string(StarClass kind) noexcept {
  switch (kind) {
    case StarClass::star:
      return "star";
    case StarClass::saturated:
      return "saturated";
    case StarClass::extended:
      return "extended";
    case StarClass::hot_pixel:
      return "hot-pixel";
    case StarClass::edge:
      return "edge";
    case StarClass::crowded:
      return "crowded";
    case StarClass::blend:
      return "blend";
    case StarClass::cosmic_ray:
      return "cosmic-ray";
    case StarClass::trail:
      return "trail";
    case StarClass::spike:
      break;
  }
  return "spike";
}

}  // namespace coldframe
