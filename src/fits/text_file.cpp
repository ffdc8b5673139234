#include "coldframe/fits/text_file.hpp"

#include <algorithm>
#include <array>
#include <span>
#include <string_view>

#include "fits/bytes.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

bool starts_as_fits(const std::filesystem::path& path) {
  constexpr std::string_view first = "SIMPLE  =";
  const auto bytes = open_bytes(path);
  if (!bytes->reaches(first.size())) return false;
  std::array<char, first.size()> start{};
  bytes->read(0, std::as_writable_bytes(std::span(start)));
  return std::equal(start.begin(), start.end(), first.begin());
}

std::string read_long_text(const std::filesystem::path& path) {
  constexpr std::uint64_t most = std::uint64_t{512} << 20U;
  constexpr std::uint64_t step = std::uint64_t{1} << 22U;
  const auto bytes = open_bytes(path);
  std::uint64_t length = 0;
  while (bytes->reaches(length + step)) {
    length += step;
    if (length > most) {
      throw input_error(path, "is too large for a table of text",
                        "cut it down to the part of the sky that is wanted");
    }
  }
  length = bytes->known_size();
  bytes->check_rest();
  std::string text(length, '\0');
  bytes->read(0, std::as_writable_bytes(std::span(text)));
  return text;
}

}  // namespace coldframe::fits
