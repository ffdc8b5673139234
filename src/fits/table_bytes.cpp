#include "fits/table_bytes.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <bit>
#include <cstring>
#include <span>

#include "fits/cards.hpp"
#include "fits/encode.hpp"
#include "fits/scan.hpp"
#include "fits/temporary.hpp"

namespace coldframe::fits {

std::size_t Table::rows() const noexcept {
  if (columns.empty()) return 0;
  return std::visit([](const auto& values) { return values.size(); }, columns.front().data);
}

const TableColumn* Table::find(std::string_view column) const noexcept {
  const auto found = std::find_if(columns.begin(), columns.end(), [&](const TableColumn& c) {
    return detail::same_name(c.name, column);
  });
  return found == columns.end() ? nullptr : &*found;
}

namespace detail {
namespace {

void put(double value, std::byte* out, std::size_t) noexcept {
  put_big_endian(std::bit_cast<std::uint64_t>(value), out);
}
void put(float value, std::byte* out, std::size_t) noexcept {
  put_big_endian(std::bit_cast<std::uint32_t>(value), out);
}
void put(std::int32_t value, std::byte* out, std::size_t) noexcept {
  put_big_endian(static_cast<std::uint32_t>(value), out);
}
void put(std::int64_t value, std::byte* out, std::size_t) noexcept {
  put_big_endian(static_cast<std::uint64_t>(value), out);
}
void put(std::uint8_t value, std::byte* out, std::size_t) noexcept {
  *out = static_cast<std::byte>(value);
}
/// ASCII only, as the standard wants (7.3.3), padded with NUL.
void put(const std::string& value, std::byte* out, std::size_t width) {
  const std::string text = ascii(value);
  std::memset(out, 0, width);
  if (!text.empty()) std::memcpy(out, text.data(), std::min(width, text.size()));
}

struct FormOf {
  std::pair<std::size_t, std::string> operator()(const std::vector<double>&) const {
    return {8, "D"};
  }
  std::pair<std::size_t, std::string> operator()(const std::vector<float>&) const {
    return {4, "E"};
  }
  std::pair<std::size_t, std::string> operator()(const std::vector<std::int32_t>&) const {
    return {4, "J"};
  }
  std::pair<std::size_t, std::string> operator()(const std::vector<std::int64_t>&) const {
    return {8, "K"};
  }
  std::pair<std::size_t, std::string> operator()(const std::vector<std::uint8_t>&) const {
    return {1, "B"};
  }
  std::pair<std::size_t, std::string> operator()(const std::vector<std::string>& texts) const {
    std::size_t width = 1;
    for (const std::string& text : texts) width = std::max(width, ascii(text).size());
    return {width, fmt::format("{}A", width)};
  }
};

}  // namespace

TableBytes::TableBytes(const Table& table, const std::filesystem::path& path) : table_(table) {
  for (const TableColumn& column : table.columns) {
    const auto length = std::visit([](const auto& v) { return v.size(); }, column.data);
    if (length != table.rows()) {
      throw Error(ErrorKind::usage, path.string(), "the columns of a table differ in length", "");
    }
    if (table.find(column.name) != &column) {
      throw Error(ErrorKind::usage, path.string(), "two columns of a table have one name", "");
    }
    auto [width, form] = std::visit(FormOf{}, column.data);
    fields_.push_back({row_bytes_, width, std::move(form)});
    row_bytes_ += width;
  }
}

std::vector<Card> TableBytes::layout() const {
  Header layout;
  layout.set("XTENSION", "BINTABLE", "binary table extension");
  layout.set("BITPIX", 8, "bytes");
  layout.set("NAXIS", 2, "number of axes");
  layout.set("NAXIS1", static_cast<std::int64_t>(row_bytes_), "bytes in a row");
  layout.set("NAXIS2", static_cast<std::int64_t>(rows()), "rows");
  layout.set("PCOUNT", 0, "no heap");
  layout.set("GCOUNT", 1, "one group");
  layout.set("TFIELDS", static_cast<std::int64_t>(fields_.size()), "columns");
  if (!table_.name.empty())
    layout.set("EXTNAME", std::string_view(table_.name), "name of this unit");
  for (std::size_t i = 0; i < fields_.size(); ++i) {
    const TableColumn& column = table_.columns[i];
    layout.set(fmt::format("TTYPE{}", i + 1), std::string_view(column.name));
    layout.set(fmt::format("TFORM{}", i + 1), std::string_view(fields_[i].form));
    if (!column.unit.empty()) {
      layout.set(fmt::format("TUNIT{}", i + 1), std::string_view(column.unit));
    }
  }
  return {layout.cards().begin(), layout.cards().end()};
}

void TableBytes::write(const Temporary& file, std::uint64_t offset) const {
  if (row_bytes_ == 0) return;
  constexpr std::size_t chunk = std::size_t{1} << 18U;
  const std::size_t total = rows();
  const std::size_t per_chunk = std::max<std::size_t>(1, chunk / row_bytes_);
  std::vector<std::byte> buffer(std::min(per_chunk, total) * row_bytes_);
  for (std::size_t first = 0; first < total; first += per_chunk) {
    const std::size_t count = std::min(per_chunk, total - first);
    for (std::size_t c = 0; c < fields_.size(); ++c) {
      std::visit(
          [&](const auto& values) {
            for (std::size_t k = 0; k < count; ++k) {
              put(values[first + k], buffer.data() + k * row_bytes_ + fields_[c].start,
                  fields_[c].width);
            }
          },
          table_.columns[c].data);
    }
    file.write(offset + first * row_bytes_, std::span(buffer).first(count * row_bytes_));
  }
}

}  // namespace detail
}  // namespace coldframe::fits
