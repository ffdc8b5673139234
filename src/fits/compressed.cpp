#include "fits/compressed.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>

#include "fits/cards.hpp"

namespace coldframe::fits::detail {
namespace {

Card integer_card(std::string keyword, std::int64_t value, std::string comment) {
  return {std::move(keyword), fmt::format("{}", value), std::move(comment), Card::Type::integer};
}

Card logical_card(std::string keyword, std::string comment) {
  return {std::move(keyword), "T", std::move(comment), Card::Type::logical};
}

/// The layout cards of the image that the table stands for.
void add_layout(const Unit& unit, Header& header) {
  const bool primary = unit.cards.find("ZSIMPLE") != nullptr;
  if (primary) {
    header.add(logical_card("SIMPLE", "file conforms to FITS standard"));
  } else {
    header.add({"XTENSION", "IMAGE", "image extension", Card::Type::text});
  }
  header.add(integer_card("BITPIX", unit.summary.bitpix, "bits per sample"));
  const auto& axes = unit.summary.axes;
  header.add(integer_card("NAXIS", static_cast<std::int64_t>(axes.size()), "number of axes"));
  for (std::size_t i = 0; i < axes.size(); ++i) {
    header.add(integer_card(fmt::format("NAXIS{}", i + 1), axes[i], "length of the axis"));
  }
  if (primary) {
    if (unit.cards.find("ZEXTEND") != nullptr) {
      header.add(logical_card("EXTEND", "there may be extensions"));
    }
  } else {
    header.add(integer_card("PCOUNT", 0, "no parameters"));
    header.add(integer_card("GCOUNT", 1, "one group"));
  }
}

bool belongs_to_image(std::string_view keyword) noexcept {
  constexpr std::array<std::string_view, 3> kept{"BZERO", "BSCALE", "BLANK"};
  return std::find(kept.begin(), kept.end(), keyword) != kept.end() || !is_structural(keyword);
}

}  // namespace

Header uncompressed_header(const Unit& unit) {
  Header header;
  add_layout(unit, header);
  for (const Card& card : unit.cards.cards()) {
    if (card.keyword == "EXTNAME" && card.value == "COMPRESSED_IMAGE") continue;
    if (card.keyword == "ZHECKSUM" || card.keyword == "ZDATASUM") {
      Card original = card;
      original.keyword = card.keyword == "ZHECKSUM" ? "CHECKSUM" : "DATASUM";
      header.add(std::move(original));
    } else if (card.type == Card::Type::commentary || belongs_to_image(card.keyword)) {
      header.add(card);
    }
  }
  return header;
}

namespace {

/// Values of the compression's own parameters (ZNAMEi / ZVALi) that CFITSIO takes on trust.
bool parameters_are_sane(const Unit& unit) {
  constexpr int most_parameters = 20;
  const int bitpix = unit.summary.bitpix;
  const double sample = bitpix == 8    ? 1.0
                        : bitpix == 16 ? 2.0
                                       : 4.0;  // floats: quantised to 32 bits
  for (int i = 1; i <= most_parameters; ++i) {
    const auto name = unit.cards.text(fmt::format("ZNAME{}", i));
    if (!name) continue;
    const auto value = unit.cards.real(fmt::format("ZVAL{}", i));
    if (*name == "BLOCKSIZE" && value != 16.0 && value != 32.0) return false;
    if (*name == "BYTEPIX" && value != sample) return false;
  }
  if (!unit.cards.text("ZCMPTYPE").value_or("").starts_with("RICE")) return true;
  // The library goes by position, whatever the names say.
  const auto block = unit.cards.real("ZVAL1");
  return (block == 16.0 || block == 32.0) && unit.cards.real("ZVAL2") == sample && bitpix != 64;
}

/// The ways whose streams cannot make the library write where it must not: the
/// other two of the standard believe sizes that stand inside the stream.
void require_known_method(const Unit& unit, const std::filesystem::path& path) {
  constexpr std::array<std::string_view, 4> known{"RICE_1", "RICE_ONE", "GZIP_1", "GZIP_2"};
  const auto method = unit.cards.text("ZCMPTYPE").value_or("");
  if (std::find(known.begin(), known.end(), method) != known.end()) return;
  throw input_error(path,
                    fmt::format("its image is compressed by '{}', which is not read here", method),
                    "uncompress it first (funpack)");
}

/// No method shrinks further: deflate's limit, in bytes; one byte a pixel at least.
constexpr std::int64_t most_shrinking = 1100;
constexpr std::int64_t always_allowed_pixels = std::int64_t{1} << 22U;

/// Tile sides along every axis; the standard's default is one row.
std::vector<std::int64_t> tile_sides(const Unit& unit) {
  std::vector<std::int64_t> sides;
  for (std::size_t i = 0; i < unit.summary.axes.size(); ++i) {
    const std::int64_t usual = i == 0 ? unit.summary.axes[0] : 1;
    sides.push_back(unit.cards.integer(fmt::format("ZTILE{}", i + 1)).value_or(usual));
  }
  return sides;
}

}  // namespace

TileShape check_tiles(const Unit& unit, const std::filesystem::path& path) {
  const auto broken = [&](const char* what) { return input_error(path, what, copy_again); };
  const auto& axes = unit.summary.axes;
  require_known_method(unit, path);
  if (!parameters_are_sane(unit)) throw broken("its compression parameters make no sense");
  const auto sides = tile_sides(unit);
  std::int64_t tiles = 1;
  std::int64_t pixels = 1;  // of a tile
  for (std::size_t i = 0; i < axes.size(); ++i) {
    if (sides[i] < 1 || sides[i] > axes[i])
      throw broken("its compressed tiles do not fit the image");
    tiles *= (axes[i] + sides[i] - 1) / sides[i];
    pixels *= sides[i];
  }
  const auto bytes = static_cast<std::int64_t>(unit.data_bytes);
  if (pixels > always_allowed_pixels && pixels / most_shrinking > bytes) {
    throw broken("its compressed tiles are larger than their bytes can fill");
  }
  if (unit.cards.integer("NAXIS2") != tiles || unit.cards.integer("NAXIS").value_or(0) != 2) {
    throw broken("it holds another number of compressed tiles than its header says");
  }
  const bool deep = axes.size() > 2;
  return {sides[0], axes.size() > 1 ? sides[1] : 1, deep ? sides[2] : 1, deep ? axes[2] : 1};
}

}  // namespace coldframe::fits::detail
