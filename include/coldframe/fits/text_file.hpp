/// \file
/// Text files that may be gzipped, and telling them from FITS files.
#pragma once

#include <filesystem>
#include <string>

namespace coldframe::fits {

/// Whether a file, gzipped or not, starts as a FITS file does. Throws Error(input) when it is
/// missing, empty or unreadable.
[[nodiscard]] bool starts_as_fits(const std::filesystem::path& path);

/// The bytes of a text file, inflated when it is gzipped. Error(input) when missing, unreadable or
/// damaged, or larger than 512 MiB.
[[nodiscard]] std::string read_long_text(const std::filesystem::path& path);

}  // namespace coldframe::fits
