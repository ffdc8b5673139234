/// \file
/// Writing FITS files so that no partial file ever stands under a final name:
/// everything goes to a temporary in the same folder, which is synced and
/// renamed by `commit`. Without commit the temporary is removed.
#pragma once

#include <cstdint>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "coldframe/core/header.hpp"
#include "coldframe/core/image.hpp"

namespace coldframe::fits {

enum class SampleType { float32, uint8, uint16, int16, int32 };

struct ImageSpec {
  std::string name;  ///< EXTNAME; ignored for the primary
  Size size;         ///< {0, 0}: a unit without data
  int planes = 1;    ///< more than 1: third axis
  SampleType type = SampleType::float32;
  int spare_cards = 0;  ///< room in the header for cards set late, so that no data need be moved
};

/// One column of a binary table; all columns of a table have one length.
struct TableColumn {
  std::string name;
  std::string unit;  ///< TUNIT; may be empty
  std::variant<std::vector<double>, std::vector<float>, std::vector<std::int32_t>,
               std::vector<std::int64_t>, std::vector<std::uint8_t>, std::vector<std::string>>
      data;
};

struct Table {
  std::string name;  ///< EXTNAME
  Header header;     ///< extra cards
  std::vector<TableColumn> columns;
  [[nodiscard]] std::size_t rows() const noexcept;
  [[nodiscard]] const TableColumn* find(std::string_view column) const noexcept;
};

class FileWriter {
 public:
  /// Creates the temporary beside `path`. Throws Error(io).
  explicit FileWriter(std::filesystem::path path);
  ~FileWriter();
  FileWriter(FileWriter&&) noexcept;
  FileWriter& operator=(FileWriter&&) = delete;

  /// Adds an image unit (the first one is the primary) with its header cards
  /// (structural ones are ignored; HISTORY and long strings kept) and returns
  /// its number for `write_rows`. All units can be added before any rows.
  int add_image(const ImageSpec& spec, const Header& header);
  /// Rows y0.. of one plane; values are converted to the unit's sample type
  /// (rounded half to even and clamped for integers). May be called from
  /// several threads at once.
  void write_rows(int hdu, int plane, int y0, PlaneView<const float> rows);
  void write_rows(int hdu, int plane, int y0, PlaneView<const std::uint8_t> rows);
  void write_rows(int hdu, int plane, int y0, PlaneView<const std::uint16_t> rows);
  /// Changes or adds one card of a unit already added.
  void set_card(int hdu, const Card& card);
  int add_table(const Table& table);
  /// CHECKSUM and DATASUM in every unit, fsync, rename. Throws Error(io).
  void commit();

 private:
  struct State;
  std::unique_ptr<State> state_;
};

[[nodiscard]] Table read_table(const std::filesystem::path& path, const std::string& extension);

/// Writes any bytes (text, PNG) the same way: temporary, fsync, rename.
void write_file_atomically(const std::filesystem::path& path, std::string_view bytes);

struct ChecksumReport {
  enum class Verdict { correct, absent, wrong };
  int hdu = 0;
  std::string name;
  Verdict data = Verdict::absent;
  Verdict whole = Verdict::absent;
};
/// Checks DATASUM and CHECKSUM of every unit.
[[nodiscard]] std::vector<ChecksumReport> verify_checksums(const std::filesystem::path& path);

}  // namespace coldframe::fits
