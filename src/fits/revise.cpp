#include "coldframe/fits/revise.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstring>
#include <span>
#include <string>
#include <system_error>

#include "fits/bytes.hpp"
#include "fits/cards.hpp"
#include "fits/checksum.hpp"
#include "fits/scan.hpp"
#include "fits/table_bytes.hpp"
#include "fits/temporary.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

namespace {

constexpr std::uint64_t copy_step = std::uint64_t{1} << 20U;

std::string whole_blocks(std::string text) {
  text.resize((text.size() + block_length - 1) / block_length * block_length, ' ');
  return text;
}

std::span<const std::byte> bytes_of(const std::string& text) {
  return std::as_bytes(std::span(text.data(), text.size()));
}

// Header lines as they stand, without those that the revision replaces.
std::string kept_lines(const Unit& unit, const Revision& revision) {
  std::string kept;
  bool dropping = false;
  for (std::size_t at = 0; at + card_length <= unit.characters.size(); at += card_length) {
    const auto line = std::string_view(unit.characters).substr(at, card_length);
    const std::string keyword(trimmed_right(line.substr(0, 8)));
    if (keyword == "CONTINUE") {
      if (!dropping) kept += line;
      continue;
    }
    dropping = false;
    if (keyword.empty() || keyword == "HISTORY" || keyword == "COMMENT") {
      kept += line;
      continue;
    }
    const bool replaced =
        revision.cards.find(keyword) != nullptr || (revision.remove && revision.remove(keyword));
    dropping =
        keyword == "CHECKSUM" || keyword == "DATASUM" || (replaced && !is_structural(keyword));
    if (!dropping) kept += line;
  }
  return kept;
}

std::string header_lines(const std::vector<Card>& cards) {
  std::string text;
  for (const Card& card : cards) {
    for (const std::string& line : format_card(card)) text += line;
  }
  return text;
}

class Copy {
 public:
  explicit Copy(const std::filesystem::path& to) : file_(to) {}

  // Bytes as they stand.
  void append(const ByteSource& bytes, std::uint64_t offset, std::uint64_t length,
              OnesSum* sum = nullptr) {
    file_.resize(end_ + length);
    std::vector<std::byte> buffer(std::min(copy_step, length));
    for (std::uint64_t at = 0; at < length; at += copy_step) {
      const auto part = std::span(buffer).first(std::min(copy_step, length - at));
      bytes.read(offset + at, part);
      if (sum != nullptr) sum->add(part);
      file_.write(end_ + at, part);
    }
    end_ += length;
  }

  // A header whose checksums follow from `data`, then room for what `write_data` writes.
  template <typename WriteData>
  void append_unit(const std::string& lines, std::uint64_t data_length,
                   const WriteData& write_data) {
    const auto text = [&](const std::string& checksum, std::uint32_t data) {
      const Card whole{"CHECKSUM", checksum, "checksum of this unit", Card::Type::text};
      const Card sum{"DATASUM", fmt::format("{}", data), "checksum of its data", Card::Type::text};
      return whole_blocks(lines + format_card(whole)[0] + format_card(sum)[0] + "END");
    };
    const std::uint64_t header_at = end_;
    const std::uint64_t header_length = text(std::string(16, '0'), 0).size();
    end_ += header_length;
    file_.resize(end_ + data_length);
    const std::uint32_t data = write_data();
    const std::string open = text(std::string(16, '0'), data);
    OnesSum whole(data);
    whole.add(bytes_of(open));
    file_.write(header_at, bytes_of(text(encode_checksum(whole.value()), data)));
  }

  void append_table(const Table& table) {
    const TableBytes bytes(table, file_.path());
    auto lines = header_lines(bytes.layout());
    std::vector<Card> own;
    for (const Card& card : table.header.cards()) {
      if (!is_structural(card.keyword) && card.keyword != "EXTNAME") own.push_back(card);
    }
    lines += header_lines(own);
    const std::uint64_t length = bytes.row_bytes() * bytes.rows();
    const std::uint64_t padded = (length + block_length - 1) / block_length * block_length;
    append_unit(lines, padded, [&] {
      bytes.write(file_, end_);
      OnesSum sum;
      std::vector<std::byte> buffer(std::min<std::uint64_t>(copy_step, padded));
      for (std::uint64_t at = 0; at < padded; at += copy_step) {
        const auto part = std::span(buffer).first(std::min(copy_step, padded - at));
        file_.read(end_ + at, part);
        sum.add(part);
      }
      end_ += padded;
      return sum.value();
    });
  }

  // A unit with another header.
  void append_revised(const ByteSource& bytes, const Unit& unit, const Revision& revision) {
    std::vector<Card> added(revision.cards.cards().begin(), revision.cards.cards().end());
    append_unit(kept_lines(unit, revision) + header_lines(added), unit.padded_bytes, [&] {
      OnesSum sum;
      append(bytes, unit.data_offset, unit.padded_bytes, &sum);
      return sum.value();
    });
  }

  void commit() { file_.commit(); }

 private:
  Temporary file_;
  std::uint64_t end_ = 0;
};

bool one_file(const std::filesystem::path& a, const std::filesystem::path& b) {
  std::error_code fault;
  return std::filesystem::equivalent(a, b, fault) && !fault;
}

}  // namespace

void write_revised(const std::filesystem::path& from, const std::filesystem::path& to,
                   const Revision& revision) {
  if (one_file(from, to)) {
    throw Error(ErrorKind::usage, to.string(), "is the file to be read", "give another name");
  }
  const auto bytes = open_bytes(from);
  UnitScanner scanner(from, *bytes);
  Copy copy(to);
  bool revised = false;
  while (const auto unit = scanner.next()) {
    const std::uint64_t end = unit->data_offset + unit->padded_bytes;
    require_data(*unit, *bytes, from);
    if (!bytes->reaches(end)) throw input_error(from, "its last block is cut short", copy_again);
    const bool replaced =
        unit->summary.kind != HduSummary::Kind::image &&
        std::any_of(revision.tables.begin(), revision.tables.end(),
                    [&](const Table& table) { return same_name(table.name, unit->summary.name); });
    if (replaced) continue;
    if (!revised && holds_image(*unit)) {
      copy.append_revised(*bytes, *unit, revision);
      revised = true;
    } else {
      copy.append(*bytes, unit->header_offset, end - unit->header_offset);
    }
  }
  if (!revised) throw input_error(from, "holds no image", "name a FITS image");
  for (const auto& table : revision.tables) copy.append_table(table);
  copy.commit();
}

}  // namespace coldframe::fits
