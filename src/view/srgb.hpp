// Linear light to 8-bit sRGB by table.
#pragma once

#include <array>
#include <cstdint>

namespace coldframe::view {

/// 8-bit sRGB codes of linear light in 65536 steps: at the steep dark end one code
/// spans 20 steps, so the table never misses a code.
class SrgbTable {
 public:
  SrgbTable();
  /// `linear` outside 0..1 (NaN included) is clamped; NaN gives 0.
  [[nodiscard]] std::uint8_t operator()(double linear) const noexcept {
    if (!(linear > 0.0)) return codes_[0];
    if (linear >= 1.0) return codes_[65535];
    return codes_[static_cast<std::size_t>(linear * 65535.0 + 0.5)];
  }

 private:
  std::array<std::uint8_t, 65536> codes_;
};

}  // namespace coldframe::view
