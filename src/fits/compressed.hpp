// Tile-compressed images (FITS 4.0, section 10): their header as the
// uncompressed image would have it, and the checks before CFITSIO inflates them.
#pragma once

#include <filesystem>

#include "fits/scan.hpp"

namespace coldframe::fits::detail {

/// The cards the image had before it was compressed.
[[nodiscard]] Header uncompressed_header(const Unit& unit);

struct TileShape {
  std::int64_t width = 0;
  std::int64_t height = 0;
  std::int64_t depth = 1;   ///< along the third axis
  std::int64_t planes = 1;  ///< of the image
};

/// Checks that the tiling fits the image and the table; throws Error(input) otherwise.
[[nodiscard]] TileShape check_tiles(const Unit& unit, const std::filesystem::path& path);

}  // namespace coldframe::fits::detail
