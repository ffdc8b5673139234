// Master frames on disk.
#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>

#include "coldframe/core/header.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/sensor/masters.hpp"

namespace coldframe::session {

/// Primary: value; extensions UNCERT and MASK; cards say how it was made.
/// `key` identifies inputs and options; `header` comes from one of the frames.
void write_master(const std::filesystem::path& path, const sensor::Master& master,
                  sensor::MasterKind kind, const Header& header, const std::string& key);

/// Reads a master; unset when the file is not there or was made from other
/// inputs (`key` not empty and different). A plain image without UNCERT has variance 0.
[[nodiscard]] std::optional<sensor::Master> read_master(const std::filesystem::path& path,
                                                        const std::string& key);

/// A master of any key without its variance, which stays empty.
[[nodiscard]] sensor::Master read_master_without_variance(const std::filesystem::path& path);

/// The extension UNCERT of a master, null when it has none.
[[nodiscard]] std::unique_ptr<fits::ImageFile> open_uncertainty(const std::filesystem::path& path);

}  // namespace coldframe::session
