// Walks over the header-data units of a file and checks every size a header
// declares against the bytes that are there, before anything is allocated and
// before the file library sees the file.
#pragma once

#include <cstdint>
#include <filesystem>
#include <optional>
#include <string>

#include "coldframe/fits/image_file.hpp"
#include "fits/bytes.hpp"

namespace coldframe::fits::detail {

struct Unit {
  HduSummary summary;
  std::uint64_t header_offset = 0;
  std::uint64_t data_offset = 0;
  std::uint64_t data_bytes = 0;    ///< without padding
  std::uint64_t padded_bytes = 0;  ///< whole blocks
  std::string characters;          ///< the cards, END not included
  Header cards;
};

class UnitScanner {
 public:
  UnitScanner(std::filesystem::path path, ByteSource& bytes)
      : path_(std::move(path)), bytes_(bytes) {}

  /// The next unit; nothing at the end of the file (whatever follows the last
  /// unit that is no extension is left alone, as the standard has it).
  /// Throws Error(input) for what is not FITS or cut short.
  [[nodiscard]] std::optional<Unit> next();

 private:
  [[nodiscard]] std::string read_header_characters();
  std::filesystem::path path_;
  ByteSource& bytes_;
  std::uint64_t position_ = 0;
  int number_ = 0;
};

/// Throws Error(input) unless all bytes of the unit's data are there.
void require_data(const Unit& unit, ByteSource& bytes, const std::filesystem::path& path);

/// Whether the unit holds pixels.
[[nodiscard]] bool holds_image(const Unit& unit) noexcept;

/// Whether two extension names are the same (letter case does not count).
[[nodiscard]] bool same_name(std::string_view a, std::string_view b) noexcept;

}  // namespace coldframe::fits::detail
