#include "coldframe/core/error.hpp"

#include <fmt/format.h>

#include <utility>

namespace coldframe {

int exit_status(ErrorKind kind) noexcept {
  switch (kind) {
    case ErrorKind::usage:
      return 2;
    case ErrorKind::input:
      return 3;
    case ErrorKind::not_enough_data:
      return 4;
    case ErrorKind::io:
      return 5;
    case ErrorKind::interrupted:
      return 130;
  }
  return 5;
}

std::string printable(std::string_view text) {
  std::string safe;
  safe.reserve(text.size());
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto byte = static_cast<unsigned char>(text[i]);
    // C1 controls (U+0080..U+009F) are two bytes in UTF-8 and move terminals as well.
    const bool c1 = byte == 0xC2U && i + 1 < text.size() &&
                    static_cast<unsigned char>(text[i + 1]) >= 0x80U &&
                    static_cast<unsigned char>(text[i + 1]) < 0xA0U;
    if (c1) {
      safe += fmt::format("\\x{:02x}", static_cast<unsigned char>(text[i + 1]));
      ++i;
    } else if (byte < 0x20U || byte == 0x7FU) {
      safe += fmt::format("\\x{:02x}", byte);
    } else {
      safe += text[i];
    }
  }
  return safe;
}

Error::Error(ErrorKind kind, std::string path, std::string what, std::string mend)
    : kind_(kind), path_(std::move(path)), what_(std::move(what)), mend_(std::move(mend)) {
  if (!path_.empty()) line_ = printable(path_) + ": ";
  line_ += printable(what_);
  if (!mend_.empty()) line_ += "; " + printable(mend_);
}

}  // namespace coldframe
