/// \file
/// A copy of a FITS file with other header cards and further tables; pixels stay as they are,
/// byte for byte.
#pragma once

#include <filesystem>
#include <functional>
#include <string_view>
#include <vector>

#include "coldframe/core/header.hpp"
#include "coldframe/fits/file_writer.hpp"

namespace coldframe::fits {

struct Revision {
  /// Cards of the first unit with an image that go; null: none. Layout cards stay in any case.
  std::function<bool(std::string_view keyword)> remove;
  Header cards;               ///< replace cards of the same name, or are added
  std::vector<Table> tables;  ///< appended; tables of the same name that were there go
};

/// Copies `from` (plain or gzipped; tile compression is kept) to `to` with the changes; checksums
/// of what changed are made anew. Throws Error(input) for what is no sound FITS file, Error(usage)
/// when both names mean one file, Error(io) when writing fails.
void write_revised(const std::filesystem::path& from, const std::filesystem::path& to,
                   const Revision& revision);

}  // namespace coldframe::fits
