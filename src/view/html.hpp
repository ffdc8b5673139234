// Pieces that the parts of a page share.
#pragma once

#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "coldframe/view/report.hpp"

namespace coldframe::view {

/// `digits` significant ones; negative: that many decimals. Empty when there is no number.
[[nodiscard]] std::string number(const std::optional<double>& value, int digits);

/// Pairs as a table of two columns, the first one the row's heading.
[[nodiscard]] std::string pair_table(const std::vector<std::pair<std::string, std::string>>& pairs);

[[nodiscard]] std::string viewer_block(const ReportResult& result, std::size_t index);
[[nodiscard]] std::string chart_block(const ReportResult& result, std::size_t index);
[[nodiscard]] std::string width_block(const ReportResult& result);
/// Registration residuals of every sub, folded away: of interest when a registration is in doubt.
[[nodiscard]] std::string residual_block(const ReportResult& result);
[[nodiscard]] std::string sub_table(const ReportResult& result, std::size_t index);
[[nodiscard]] std::string keep_block(const Report& report);

/// What the page's scripts work with, as JSON that may stand inside a script element.
[[nodiscard]] std::string report_data(const Report& report);

// Texts embedded at build time.
[[nodiscard]] const char* page_style() noexcept;
[[nodiscard]] const char* page_script() noexcept;
[[nodiscard]] const char* chart_library() noexcept;

}  // namespace coldframe::view
