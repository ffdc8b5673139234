// Pictures that the report carries: the results' layers and the subs' thumbnails.
#pragma once

#include <filesystem>
#include <vector>

#include "coldframe/session/record.hpp"
#include "coldframe/view/report.hpp"

namespace coldframe::session {

/// What of a result can be looked at, from its files in `out`; what cannot be read is left away.
[[nodiscard]] std::vector<view::ReportLayer> result_layers(const ResultRecord& result,
                                                           const std::filesystem::path& out);

/// PNG in base64; empty without a preview. `among`: subs of the page, whose pictures share the
/// room.
[[nodiscard]] std::string thumbnail_of(const SubRecord& sub, Size canvas, std::size_t among);

}  // namespace coldframe::session
