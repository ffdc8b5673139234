// Any bytes as a table; what can be read must be writable again.
#include <cstdlib>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "fits/input_file.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  try {
    const auto table = coldframe::fits::read_table(file.path(), "");
    for (const auto& column : table.columns) {
      const auto rows = std::visit([](const auto& values) { return values.size(); }, column.data);
      if (rows != table.rows()) std::abort();
    }
  } catch (const coldframe::Error&) {
  }
  return 0;
}
