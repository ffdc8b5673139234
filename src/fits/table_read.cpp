#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <limits>
#include <utility>

#include "coldframe/fits/file_writer.hpp"
#include "fits/cards.hpp"
#include "fits/cfitsio_handle.hpp"
#include "fits/scan.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

namespace {

bool is_table(const Unit& unit) noexcept { return unit.summary.kind != HduSummary::Kind::image; }

Unit find_table(const std::filesystem::path& path, ByteSource& bytes,
                const std::string& extension) {
  UnitScanner scanner(path, bytes);
  while (auto unit = scanner.next()) {
    const bool named = extension.empty() || same_name(unit->summary.name, extension);
    if (named && is_table(*unit)) return std::move(*unit);
  }
  throw input_error(path,
                    extension.empty() ? std::string("it holds no table")
                                      : fmt::format("it has no table named {}", extension),
                    "name a FITS table");
}

class TableReader {
 public:
  TableReader(CfitsioHandle handle, const Unit& unit) : handle_(std::move(handle)), unit_(unit) {
    rows_ = static_cast<std::size_t>(unit.summary.axes[1]);
    handle_.move_to(unit.summary.number);
  }

  /// The column, or nothing for arrays, complex numbers, bits and variable lengths.
  [[nodiscard]] bool read(int number, TableColumn& column) {
    int type = 0;
    LONGLONG repeat = 0;
    LONGLONG width = 0;
    int status = 0;
    fits_get_eqcoltypell(handle_.get(), number, &type, &repeat, &width, &status);
    handle_.check(status, "a column of its table cannot be read");
    column.name = unit_.cards.text(fmt::format("TTYPE{}", number)).value_or("");
    if (column.name.empty()) column.name = fmt::format("column{}", number);
    column.unit = unit_.cards.text(fmt::format("TUNIT{}", number)).value_or("");
    if (type == TSTRING) {
      column.data =
          texts(number, static_cast<std::size_t>(std::max(repeat, width)));  // ASCII: repeat is 1
      return true;
    }
    return repeat == 1 && numbers(number, type, column);
  }

 private:
  template <typename T>
  std::vector<T> values(int number, int type, T missing) {
    std::vector<T> result(rows_);
    int any = 0;
    int status = 0;
    if (rows_ > 0) {
      fits_read_col(handle_.get(), type, number, 1, 1, static_cast<LONGLONG>(rows_), &missing,
                    result.data(), &any, &status);
    }
    handle_.check(status, "a column of its table cannot be read");
    return result;
  }

  /// The narrowest type that holds every value; integers with a missing value become NaN-able.
  bool numbers(int number, int type, TableColumn& column) {
    if (unit_.cards.find(fmt::format("TNULL{}", number)) != nullptr && type != TFLOAT) {
      type = TDOUBLE;
    }
    constexpr double none = std::numeric_limits<double>::quiet_NaN();
    switch (type) {
      case TLOGICAL:
        column.data = logicals(number);
        return true;
      case TBYTE:
        column.data = values<std::uint8_t>(number, TBYTE, 0);
        return true;
      case TSBYTE:
      case TSHORT:
      case TUSHORT:
      case TINT:
      case TLONG:
        column.data = values<std::int32_t>(number, TINT, 0);
        return true;
      case TUINT:
      case TULONG:
      case TLONGLONG:
        column.data = wide_integers(number);
        return true;
      case TFLOAT:
        column.data = values<float>(number, TFLOAT, static_cast<float>(none));
        return true;
      case TULONGLONG:
      case TDOUBLE:
        column.data = values<double>(number, TDOUBLE, none);
        return true;
      default:
        return false;
    }
  }

  std::vector<std::int64_t> wide_integers(int number) {
    static_assert(sizeof(LONGLONG) == sizeof(std::int64_t));
    const auto raw = values<LONGLONG>(number, TLONGLONG, 0);
    return {raw.begin(), raw.end()};
  }
  std::vector<std::uint8_t> logicals(int number) {
    const auto raw = values<char>(number, TLOGICAL, 0);
    return {raw.begin(), raw.end()};
  }

  std::vector<std::string> texts(int number, std::size_t width) {
    std::vector<std::string> result(rows_);
    std::vector<char> text(width + 1);
    for (std::size_t row = 0; row < rows_; ++row) {
      char* place = text.data();
      std::array<char, 1> none{};
      int any = 0;
      int status = 0;
      fits_read_col_str(handle_.get(), number, static_cast<LONGLONG>(row) + 1, 1, 1, none.data(),
                        &place, &any, &status);
      handle_.check(status, "a column of its table cannot be read");
      result[row] = std::string(trimmed_right(text.data()));
    }
    return result;
  }

  CfitsioHandle handle_;
  const Unit& unit_;
  std::size_t rows_ = 0;
};

/// What a hostile header could turn into huge allocations.
void check_shape(const Unit& unit, const std::filesystem::path& path) {
  const auto& axes = unit.summary.axes;
  constexpr std::int64_t most_columns = 999;  // FITS 4.0, 7.3.1
  const std::int64_t columns = unit.cards.integer("TFIELDS").value_or(-1);
  const bool sane = axes.size() == 2 && columns >= 0 && columns <= most_columns &&
                    unit.summary.bitpix == 8 && (axes[0] > 0 || axes[1] == 0 || columns == 0);
  if (!sane) throw input_error(path, "the layout of its table makes no sense", copy_again);
}

}  // namespace

Table read_table(const std::filesystem::path& path, const std::string& extension) {
  auto bytes = open_bytes(path);
  const Unit unit = find_table(path, *bytes, extension);
  check_shape(unit, path);
  require_data(unit, *bytes, path);
  bytes->check_rest();
  TableReader reader(bytes->gzipped() ? CfitsioHandle::open_memory(path, bytes->take())
                                      : CfitsioHandle::open_disk(path),
                     unit);
  Table table;
  table.name = unit.summary.name;
  for (const Card& card : unit.cards.cards()) {
    const bool layout = is_structural(card.keyword) || card.keyword == "EXTNAME";
    if (card.type == Card::Type::commentary || !layout) table.header.add(card);
  }
  const auto columns = static_cast<int>(*unit.cards.integer("TFIELDS"));
  for (int number = 1; number <= columns; ++number) {
    TableColumn column;
    if (reader.read(number, column)) table.columns.push_back(std::move(column));
  }
  return table;
}

}  // namespace coldframe::fits
