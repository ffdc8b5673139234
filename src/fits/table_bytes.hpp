// Binary tables as bytes (FITS Standard 4.0, section 7.3).
#pragma once

#include <cstdint>
#include <filesystem>
#include <vector>

#include "coldframe/fits/file_writer.hpp"

namespace coldframe::fits::detail {

class Temporary;

class TableBytes {
 public:
  /// Throws Error(usage) when the columns differ in length or their names clash.
  TableBytes(const Table& table, const std::filesystem::path& path);
  [[nodiscard]] std::vector<Card> layout() const;
  [[nodiscard]] std::uint64_t rows() const noexcept { return table_.rows(); }
  [[nodiscard]] std::uint64_t row_bytes() const noexcept { return row_bytes_; }
  void write(const Temporary& file, std::uint64_t offset) const;

 private:
  struct Field {
    std::size_t start = 0;
    std::size_t width = 0;
    std::string form;
  };
  const Table& table_;
  std::vector<Field> fields_;
  std::size_t row_bytes_ = 0;
};

}  // namespace coldframe::fits::detail
