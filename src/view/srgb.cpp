#include "srgb.hpp"

#include <cmath>

#include "coldframe/view/picture.hpp"

namespace coldframe::view {

double srgb_encode(double linear) noexcept {
  if (linear <= 0.0031308) return 12.92 * linear;
  return 1.055 * std::pow(linear, 1.0 / 2.4) - 0.055;
}

SrgbTable::SrgbTable() : codes_() {
  for (std::size_t i = 0; i < codes_.size(); ++i) {
    const double encoded = srgb_encode(static_cast<double>(i) / 65535.0);
    codes_[i] = static_cast<std::uint8_t>(std::lround(255.0 * encoded));
  }
}

}  // namespace coldframe::view
