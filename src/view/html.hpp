// Small helpers for writing HTML.
#pragma once

#include <optional>
#include <string>

namespace coldframe::view {

/// `digits` significant digits without an exponent where that stays readable (negative: that many
/// decimals); empty when unset.
[[nodiscard]] std::string number(const std::optional<double>& value, int digits = 3);

/// The page's style sheet: light and dark by the reader's own setting, no outside files.
[[nodiscard]] const char* report_style() noexcept;

}  // namespace coldframe::view
