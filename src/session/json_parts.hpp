// JSON of the parts that several files of the session write.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>

#include "coldframe/session/record.hpp"

namespace coldframe::session {

[[nodiscard]] nlohmann::ordered_json transform_json(const Transform& transform);
[[nodiscard]] nlohmann::ordered_json warnings_json(const std::vector<Warning>& warnings);
[[nodiscard]] nlohmann::ordered_json left_out_json(const std::vector<LeftOut>& left_out);
/// The value, or null where there is none.
template <typename T>
[[nodiscard]] nlohmann::ordered_json or_null(const std::optional<T>& value) {
  return value ? nlohmann::ordered_json(*value) : nlohmann::ordered_json(nullptr);
}
/// A number of a record read back; unset when it is missing or no number.
[[nodiscard]] std::optional<double> number_in(const nlohmann::json& object, const char* name);

/// Indented text; bytes that are no UTF-8 are replaced.
[[nodiscard]] std::string json_text(const nlohmann::ordered_json& json);

/// [x, y, dx, dy] per star: place in the sub, then mapped minus reference in reference pixels.
[[nodiscard]] nlohmann::ordered_json residuals_json(
    const std::vector<align::ResidualVector>& residuals);
/// Null when no distortion was found.
[[nodiscard]] nlohmann::ordered_json distortion_json(const align::DistortionFit& fit);

}  // namespace coldframe::session
