// What was measured of a sub, kept in OUT/measure: one small FITS file per sub.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "coldframe/pipeline/measure_pass.hpp"

namespace coldframe::session {

/// Everything is stored in full precision: a measurement read back gives the same bits later on.
void write_measurement(const std::filesystem::path& path, const std::string& key,
                       const pipeline::SubMeasurement& measurement);

/// Unset when there is no such file, it is broken or has another key.
[[nodiscard]] std::optional<pipeline::SubMeasurement> read_measurement(
    const std::filesystem::path& path, const std::string& key);

}  // namespace coldframe::session
