#include "fits/scan.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cctype>
#include <charconv>
#include <limits>
#include <set>
#include <utility>

#include "fits/cards.hpp"

namespace coldframe::fits::detail {
namespace {

/// More cards than any camera writes; keeps a gzipped bomb of blanks from growing.
constexpr std::size_t most_header_bytes = std::size_t{1} << 25U;
constexpr std::uint64_t most_data_bytes = std::uint64_t{1} << 62U;

class HeaderReader {
 public:
  HeaderReader(const std::filesystem::path& path, const Header& cards)
      : path_(path), cards_(cards) {}

  [[nodiscard]] std::int64_t required(const std::string& keyword) const {
    const auto value = optional(keyword);
    if (!value) throw broken(fmt::format("its header lacks {}", keyword));
    return *value;
  }
  [[nodiscard]] std::int64_t or_else(const std::string& keyword, std::int64_t usual) const {
    return optional(keyword).value_or(usual);
  }
  [[nodiscard]] std::int64_t axis(const std::string& keyword) const {
    const std::int64_t length = required(keyword);
    if (length < 0) throw broken(fmt::format("{} in its header is negative", keyword));
    return length;
  }
  [[nodiscard]] Error broken(std::string what) const {
    return input_error(path_, std::move(what), copy_again);
  }

 private:
  [[nodiscard]] std::optional<std::int64_t> optional(const std::string& keyword) const {
    const Card* card = cards_.find(keyword);
    if (card == nullptr) return std::nullopt;
    std::string_view digits = card->value;
    if (digits.starts_with('+')) digits.remove_prefix(1);
    std::int64_t value = 0;
    const auto [end, fault] = std::from_chars(digits.data(), digits.data() + digits.size(), value);
    if (fault != std::errc{} || end != digits.data() + digits.size()) {
      throw broken(fmt::format("{} in its header is not a whole number", keyword));
    }
    return value;
  }
  const std::filesystem::path& path_;
  const Header& cards_;
};

std::uint64_t product(const HeaderReader& header, std::uint64_t a, std::uint64_t b) {
  if (a != 0 && b > most_data_bytes / a) {
    throw header.broken("its header declares an impossible size");
  }
  return a * b;
}

std::uint64_t non_negative(const HeaderReader& header, const std::string& keyword,
                           std::int64_t usual) {
  const std::int64_t value = header.or_else(keyword, usual);
  if (value < 0) throw header.broken(fmt::format("{} in its header is negative", keyword));
  return static_cast<std::uint64_t>(value);
}

/// |BITPIX|/8 GCOUNT (PCOUNT + NAXIS1 ... NAXISn), FITS 4.0, equations 2 and 4.
std::uint64_t data_bytes(const HeaderReader& header, const Header& cards, int bitpix,
                         const std::vector<std::int64_t>& axes) {
  if (axes.empty()) return 0;
  const bool groups = axes[0] == 0 && axes.size() > 1 && cards.logical("GROUPS").value_or(false);
  std::uint64_t samples = 1;
  for (std::size_t i = groups ? 1 : 0; i < axes.size(); ++i) {
    samples = product(header, samples, static_cast<std::uint64_t>(axes[i]));
  }
  const std::uint64_t extra = non_negative(header, "PCOUNT", 0);
  if (extra > most_data_bytes) throw header.broken("its header declares an impossible size");
  const auto width = static_cast<std::uint64_t>(std::abs(bitpix) / 8);
  return product(header, product(header, samples + extra, non_negative(header, "GCOUNT", 1)),
                 width);
}

std::vector<std::int64_t> read_axes(const HeaderReader& header, const std::string& count_keyword,
                                    const std::string& stem) {
  const std::int64_t count = header.required(count_keyword);
  constexpr std::int64_t most = 999;  // FITS 4.0, 4.4.1
  if (count < 0 || count > most) {
    throw header.broken(fmt::format("{} in its header is out of range", count_keyword));
  }
  std::vector<std::int64_t> axes;
  for (std::int64_t i = 1; i <= count; ++i)
    axes.push_back(header.axis(fmt::format("{}{}", stem, i)));
  return axes;
}

int read_bitpix(const HeaderReader& header, const std::string& keyword) {
  const std::int64_t bitpix = header.required(keyword);
  constexpr std::array<std::int64_t, 6> valid{8, 16, 32, 64, -32, -64};
  if (std::find(valid.begin(), valid.end(), bitpix) == valid.end()) {
    throw header.broken(
        fmt::format("{} in its header is {}, which no FITS image has", keyword, bitpix));
  }
  return static_cast<int>(bitpix);
}

/// CFITSIO copies what a column's card says into places of fixed length. A value
/// that is neither a quoted string nor short would go beyond them.
void require_sane_columns(const HeaderReader& header, const Unit& unit) {
  const std::int64_t fields = header.required("TFIELDS");
  constexpr std::int64_t most_fields = 999;  // FITS 4.0, 7.3.1
  if (fields < 0 || fields > most_fields)
    throw header.broken("TFIELDS in its header is out of range");
  constexpr std::size_t value_at = 10;
  constexpr std::size_t longest_bare = 30;
  const std::string_view all = unit.characters;
  for (std::size_t at = 0; at + card_length <= all.size(); at += card_length) {
    const std::string_view line = all.substr(at, card_length);
    if (line[0] != 'T' || line[8] != '=') continue;
    const std::string_view value = trimmed_both(line.substr(value_at));
    const bool printable =
        std::all_of(value.begin(), value.end(), [](char c) { return c >= ' ' && c <= '~'; });
    const bool quoted = value.starts_with('\'') && value.find('\'', 1) != std::string_view::npos;
    const bool bare = trimmed_both(value.substr(0, value.find('/'))).size() <= longest_bare;
    if (!printable || (!quoted && !bare)) {
      throw header.broken(
          fmt::format("{} in its header makes no sense", trimmed_right(line.substr(0, 8))));
    }
  }
}

/// CFITSIO divides by tile sides, and of two cards of one name it may take either.
void require_sane_tiling(const HeaderReader& header, const Unit& unit) {
  constexpr std::size_t most_axes = 6;  // the library's own limit
  if (unit.summary.axes.size() > most_axes)
    throw header.broken("ZNAXIS in its header is out of range");
  for (std::size_t i = 1; i <= unit.summary.axes.size(); ++i) {
    const std::string keyword = fmt::format("ZTILE{}", i);
    if (header.or_else(keyword, 1) < 1)
      throw header.broken(fmt::format("{} in its header is not positive", keyword));
  }
  std::set<std::string_view> seen;
  for (const Card& card : unit.cards.cards()) {
    const bool ours = card.keyword.starts_with("Z") && card.type != Card::Type::commentary &&
                      is_structural(card.keyword);
    if (ours && !seen.insert(card.keyword).second) {
      throw header.broken(fmt::format("{} stands twice in its header", card.keyword));
    }
  }
}

void describe(const HeaderReader& header, Unit& unit) {
  HduSummary& summary = unit.summary;
  const Header& cards = unit.cards;
  summary.bitpix = read_bitpix(header, "BITPIX");
  summary.axes = read_axes(header, "NAXIS", "NAXIS");
  unit.data_bytes = data_bytes(header, cards, summary.bitpix, summary.axes);
  unit.padded_bytes = (unit.data_bytes + block_length - 1) / block_length * block_length;
  summary.name = cards.text("EXTNAME").value_or("");
  const std::string kind = cards.text("XTENSION").value_or("IMAGE");
  if (unit.summary.number == 0 || kind == "IMAGE" || kind == "IUEIMAGE") return;
  summary.kind = kind == "TABLE" ? HduSummary::Kind::ascii_table : HduSummary::Kind::binary_table;
  if (kind == "BINTABLE" || kind == "TABLE") require_sane_columns(header, unit);
  if (kind != "BINTABLE" || !cards.logical("ZIMAGE").value_or(false)) return;
  summary.kind = HduSummary::Kind::image;
  summary.compressed = true;
  summary.bitpix = read_bitpix(header, "ZBITPIX");
  summary.axes = read_axes(header, "ZNAXIS", "ZNAXIS");
  require_sane_tiling(header, unit);
  if (summary.name == "COMPRESSED_IMAGE") summary.name.clear();  // the packer's own name
}

}  // namespace

std::string UnitScanner::read_header_characters() {
  std::string characters;
  std::array<std::byte, block_length> block;  // NOLINT: filled by read
  while (characters.size() < most_header_bytes) {
    const std::uint64_t at = position_ + characters.size();
    if (!bytes_.reaches(at + block_length)) {
      throw input_error(path_, "file is shorter than its header says: the header has no end",
                        copy_again);
    }
    bytes_.read(at, block);
    const auto start = characters.size();
    characters.append(reinterpret_cast<const char*>(block.data()), block.size());
    for (std::size_t card = start; card < characters.size(); card += card_length) {
      const std::string_view line(characters.data() + card, card_length);
      if (trimmed_right(line.substr(0, 8)) == "END" && line[8] != '=') {
        position_ += start + block_length;
        characters.resize(card);
        return characters;
      }
    }
  }
  throw input_error(path_, "its header has no end", copy_again);
}

std::optional<Unit> UnitScanner::next() {
  std::array<std::byte, 9> start{};
  if (!bytes_.reaches(position_ + start.size())) {
    if (number_ == 0) throw input_error(path_, "is not a FITS file", "name a FITS file");
    return std::nullopt;
  }
  bytes_.read(position_, start);
  const std::string_view word(reinterpret_cast<const char*>(start.data()), start.size());
  if (number_ == 0 && word != "SIMPLE  =") {
    throw input_error(path_, "is not a FITS file", "name a FITS file");
  }
  if (number_ > 0 && word != "XTENSION=") return std::nullopt;
  Unit unit;
  unit.header_offset = position_;
  unit.characters = read_header_characters();
  unit.data_offset = position_;
  unit.cards = parse_cards(unit.characters);
  unit.summary.number = number_;
  describe(HeaderReader(path_, unit.cards), unit);
  position_ += unit.padded_bytes;
  ++number_;
  return unit;
}

void require_data(const Unit& unit, ByteSource& bytes, const std::filesystem::path& path) {
  // The padding of the last block is forgiven: some programs leave it out.
  const std::uint64_t end = unit.data_offset + unit.data_bytes;
  if (bytes.reaches(end)) return;
  throw input_error(
      path,
      fmt::format("file is shorter than its header says ({} of {} bytes)", bytes.known_size(), end),
      copy_again);
}

bool holds_image(const Unit& unit) noexcept {
  const auto& axes = unit.summary.axes;
  return unit.summary.kind == HduSummary::Kind::image && !axes.empty() &&
         std::none_of(axes.begin(), axes.end(), [](std::int64_t n) { return n == 0; });
}

bool same_name(std::string_view a, std::string_view b) noexcept {
  return std::equal(a.begin(), a.end(), b.begin(), b.end(), [](unsigned char x, unsigned char y) {
    return std::toupper(x) == std::toupper(y);
  });
}

}  // namespace coldframe::fits::detail
