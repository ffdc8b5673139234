#include "coldframe/fits/file_writer.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <memory>
#include <mutex>
#include <utility>

#include "fits/cards.hpp"
#include "fits/checksum.hpp"
#include "fits/encode.hpp"
#include "fits/table_bytes.hpp"
#include "fits/temporary.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

namespace {

struct WrittenUnit {
  ImageSpec spec;
  bool is_table = false;
  std::vector<Card> cards;  ///< without CHECKSUM and DATASUM
  std::uint64_t header_offset = 0;
  std::uint64_t header_bytes = 0;
  std::uint64_t data_bytes = 0;  ///< whole blocks
  /// Of the rows written so far, summed while they are in the cache; nothing else is not zero.
  OnesSum sum;
  std::vector<bool> written;  ///< rows of all planes
  bool sum_again = false;     ///< a table, or rows written twice: summed from the file

  [[nodiscard]] std::uint64_t data_offset() const noexcept { return header_offset + header_bytes; }
  [[nodiscard]] std::uint64_t end() const noexcept { return data_offset() + data_bytes; }
};

constexpr std::uint64_t whole_blocks(std::uint64_t bytes) noexcept {
  return (bytes + block_length - 1) / block_length * block_length;
}

/// The header as it will stand in the file, END and padding included.
/// Blank cards fill it up to `least_bytes`.
std::string header_text(const std::vector<Card>& cards, const std::string& checksum,
                        const std::string& datasum, std::uint64_t least_bytes = 0) {
  std::string text;
  for (const Card& card : cards) {
    for (const std::string& line : format_card(card)) text += line;
  }
  // No dates in the comments: the same data give the same bytes.
  const Card whole{"CHECKSUM", checksum, "checksum of this unit", Card::Type::text};
  const Card data{"DATASUM", datasum, "checksum of its data", Card::Type::text};
  text += format_card(whole)[0] + format_card(data)[0];
  if (whole_blocks(text.size() + card_length) < least_bytes) {
    text.resize(least_bytes - card_length, ' ');
  }
  text += "END";
  text.resize(whole_blocks(text.size()), ' ');
  return text;
}

std::vector<Card> image_layout(const ImageSpec& spec, bool primary) {
  Header layout;
  if (primary) {
    layout.set("SIMPLE", true, "conforms to the FITS standard");
  } else {
    layout.set("XTENSION", "IMAGE", "image extension");
  }
  layout.set("BITPIX", bitpix_of(spec.type), "bits per sample");
  const int axes = spec.size.count() == 0 ? 0 : spec.planes > 1 ? 3 : 2;
  layout.set("NAXIS", axes, "number of axes");
  if (axes > 0) {
    layout.set("NAXIS1", spec.size.width, "width in pixels");
    layout.set("NAXIS2", spec.size.height, "height in pixels");
  }
  if (axes > 2) layout.set("NAXIS3", spec.planes, "planes");
  if (primary) {
    layout.set("EXTEND", true, "there may be extensions");
  } else {
    layout.set("PCOUNT", 0, "no parameters");
    layout.set("GCOUNT", 1, "one group");
    if (!spec.name.empty()) layout.set("EXTNAME", std::string_view(spec.name), "name of this unit");
  }
  if (spec.type == SampleType::uint16 && axes > 0) {
    layout.set("BZERO", 32768, "unsigned 16-bit integers");
    layout.set("BSCALE", 1);
  }
  return {layout.cards().begin(), layout.cards().end()};
}

/// Adds the caller's cards, but for those that describe a layout of their own.
void add_cards(std::vector<Card>& cards, const Header& header, bool keep_name) {
  for (const Card& card : header.cards()) {
    const bool commentary = card.type == Card::Type::commentary;
    if (is_structural(card.keyword)) continue;
    if (!commentary && card.keyword == "EXTNAME" && !keep_name) continue;
    cards.push_back(card);
  }
}

void require(bool condition, const std::filesystem::path& path, const char* what) {
  if (!condition) throw Error(ErrorKind::usage, path.string(), what, "");
}

}  // namespace

struct FileWriter::State {
  explicit State(std::filesystem::path path) : file(std::move(path)) {}

  [[nodiscard]] WrittenUnit& unit(int hdu) {
    require(hdu >= 0 && static_cast<std::size_t>(hdu) < units.size(), file.path(),
            "there is no such unit");
    return units[static_cast<std::size_t>(hdu)];
  }
  [[nodiscard]] bool empty() const noexcept { return units.empty(); }
  int add(WrittenUnit unit);
  void grow_header(std::size_t index, std::uint64_t bytes);
  [[nodiscard]] OnesSum sum_from_file(const WrittenUnit& unit) const;
  void finish(const WrittenUnit& unit) const;
  template <typename T>
  void write_rows(int hdu, int plane, int y0, PlaneView<const T> rows);

  Temporary file;
  std::vector<WrittenUnit> units;
  std::mutex mutex;  ///< of the units' sums
};

int FileWriter::State::add(WrittenUnit unit) {
  unit.header_offset = units.empty() ? 0 : units.back().end();
  const auto spare = static_cast<std::uint64_t>(std::max(unit.spec.spare_cards, 0)) * card_length;
  const std::uint64_t least = header_text(unit.cards, "", "").size();
  unit.header_bytes = whole_blocks(least + spare);
  file.resize(unit.end());
  units.push_back(std::move(unit));
  return static_cast<int>(units.size()) - 1;
}

/// Moves everything behind a header back by whole blocks, last bytes first.
void FileWriter::State::grow_header(std::size_t index, std::uint64_t bytes) {
  const std::uint64_t start = units[index].data_offset();
  const std::uint64_t end = units.back().end();
  file.resize(end + bytes);
  constexpr std::uint64_t step = std::uint64_t{1} << 20U;
  std::vector<std::byte> buffer(step);
  for (std::uint64_t at = end; at > start;) {
    const std::uint64_t length = std::min(step, at - start);
    at -= length;
    const auto part = std::span(buffer).first(length);
    file.read(at, part);
    file.write(at + bytes, part);
  }
  units[index].header_bytes += bytes;
  for (std::size_t i = index + 1; i < units.size(); ++i) units[i].header_offset += bytes;
}

/// Sums the data as they stand in the file.
OnesSum FileWriter::State::sum_from_file(const WrittenUnit& unit) const {
  constexpr std::uint64_t step = std::uint64_t{1} << 18U;
  std::vector<std::byte> buffer(std::min(step, unit.data_bytes));
  OnesSum data;
  for (std::uint64_t at = 0; at < unit.data_bytes; at += step) {
    const auto part = std::span(buffer).first(std::min(step, unit.data_bytes - at));
    file.read(unit.data_offset() + at, part);
    data.add(part);
  }
  return data;
}

/// Writes the header with its checksums.
void FileWriter::State::finish(const WrittenUnit& unit) const {
  const OnesSum data = unit.sum_again ? sum_from_file(unit) : unit.sum;
  const std::string datasum = fmt::format("{}", data.value());
  OnesSum whole(data.value());
  const std::string open =
      header_text(unit.cards, std::string(16, '0'), datasum, unit.header_bytes);
  whole.add(std::as_bytes(std::span(open.data(), open.size())));
  const std::string text =
      header_text(unit.cards, encode_checksum(whole.value()), datasum, unit.header_bytes);
  file.write(unit.header_offset, std::as_bytes(std::span(text.data(), text.size())));
}

template <typename T>
void FileWriter::State::write_rows(int hdu, int plane, int y0, PlaneView<const T> rows) {
  WrittenUnit& to = unit(hdu);
  require(!to.is_table && plane >= 0 && plane < to.spec.planes && y0 >= 0 &&
              rows.width() == to.spec.size.width && y0 + rows.height() <= to.spec.size.height,
          file.path(), "rows outside the image were written");
  const std::size_t row_bytes = sample_bytes(to.spec.type) * static_cast<std::size_t>(rows.width());
  if (row_bytes == 0 || rows.height() == 0) return;
  constexpr std::size_t chunk = std::size_t{1} << 18U;
  const int per_chunk = static_cast<int>(
      std::clamp<std::size_t>(chunk / row_bytes, 1, static_cast<std::size_t>(rows.height())));
  // Not zeroed: every byte is written.
  const auto buffer = std::make_unique_for_overwrite<std::uint8_t[]>(
      row_bytes * static_cast<std::size_t>(per_chunk) + 3);
  for (int y = 0; y < rows.height(); y += per_chunk) {
    const int count = std::min(per_chunk, rows.height() - y);
    const auto part = rows.crop({0, y, rows.width(), y + count});
    const std::uint64_t sum = encode_rows(to.spec.type, part, buffer.get());
    const std::int64_t row = std::int64_t{plane} * to.spec.size.height + y0 + y;
    const std::uint64_t offset = static_cast<std::uint64_t>(row) * row_bytes;
    file.write(to.data_offset() + offset,
               std::as_bytes(std::span(buffer.get(), row_bytes * static_cast<std::size_t>(count))));
    const std::scoped_lock lock(mutex);
    to.sum.add_words(sum, offset);
    for (auto r = static_cast<std::size_t>(row); r < static_cast<std::size_t>(row + count); ++r) {
      to.sum_again = to.sum_again || to.written[r];
      to.written[r] = true;
    }
  }
}

FileWriter::FileWriter(std::filesystem::path path)
    : state_(std::make_unique<State>(std::move(path))) {}
FileWriter::~FileWriter() = default;
FileWriter::FileWriter(FileWriter&&) noexcept = default;

int FileWriter::add_image(const ImageSpec& spec, const Header& header) {
  const auto& path = state_->file.path();
  require(spec.size.width >= 0 && spec.size.height >= 0 && spec.planes >= 1, path,
          "an image of impossible size was to be written");
  WrittenUnit unit;
  unit.spec = spec;
  const bool primary = state_->empty();
  unit.cards = image_layout(spec, primary);
  add_cards(unit.cards, header, !primary && spec.name.empty());
  unit.data_bytes = whole_blocks(static_cast<std::uint64_t>(spec.size.count()) *
                                 static_cast<std::uint64_t>(spec.planes) * sample_bytes(spec.type));
  unit.written.resize(static_cast<std::size_t>(spec.size.height) *
                      static_cast<std::size_t>(spec.planes));
  return state_->add(std::move(unit));
}

int FileWriter::add_table(const Table& table) {
  // A table cannot be the first unit: an empty primary goes before it.
  if (state_->empty()) add_image({.name = "", .size = {0, 0}}, {});
  const TableBytes bytes(table, state_->file.path());
  WrittenUnit unit;
  unit.is_table = true;
  unit.sum_again = true;
  unit.cards = bytes.layout();
  add_cards(unit.cards, table.header, table.name.empty());
  unit.data_bytes = whole_blocks(bytes.row_bytes() * bytes.rows());
  const int number = state_->add(std::move(unit));
  bytes.write(state_->file, state_->unit(number).data_offset());
  return number;
}

void FileWriter::write_rows(int hdu, int plane, int y0, PlaneView<const float> rows) {
  state_->write_rows(hdu, plane, y0, rows);
}
void FileWriter::write_rows(int hdu, int plane, int y0, PlaneView<const std::uint8_t> rows) {
  state_->write_rows(hdu, plane, y0, rows);
}
void FileWriter::write_rows(int hdu, int plane, int y0, PlaneView<const std::uint16_t> rows) {
  state_->write_rows(hdu, plane, y0, rows);
}

void FileWriter::set_card(int hdu, const Card& card) {
  WrittenUnit& unit = state_->unit(hdu);
  require(!is_structural(card.keyword), state_->file.path(), "a layout card was to be changed");
  const auto old = std::find_if(unit.cards.begin(), unit.cards.end(), [&](const Card& other) {
    return other.type != Card::Type::commentary && other.keyword == card.keyword;
  });
  if (card.type == Card::Type::commentary || old == unit.cards.end()) {
    unit.cards.push_back(card);
  } else {
    *old = card;
  }
  const std::uint64_t needed = header_text(unit.cards, "", "").size();
  if (needed > unit.header_bytes) {
    state_->grow_header(static_cast<std::size_t>(hdu), needed - unit.header_bytes);
  }
}

void FileWriter::commit() {
  if (state_->empty()) add_image({.name = "", .size = {0, 0}}, {});
  for (const WrittenUnit& unit : state_->units) state_->finish(unit);
  state_->file.commit();
}

}  // namespace coldframe::fits
