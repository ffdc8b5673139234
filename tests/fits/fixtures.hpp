// FITS files made byte by byte after the standard, so that the tests share no
// code with what they test.
#pragma once

#include <fmt/format.h>
#include <unistd.h>
#include <zlib.h>

#include <array>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <functional>
#include <sstream>
#include <string>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/core/image.hpp"

namespace fixtures {

namespace fs = std::filesystem;

/// A folder of its own, removed at the end.
class Folder {
 public:
  Folder() {
    std::string name = (fs::temp_directory_path() / "coldframe-fits-XXXXXX").string();
    path_ = ::mkdtemp(name.data());
  }
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  [[nodiscard]] fs::path operator/(const std::string& name) const { return path_ / name; }
  [[nodiscard]] const fs::path& path() const { return path_; }
  [[nodiscard]] std::size_t entries() const {
    return static_cast<std::size_t>(
        std::distance(fs::directory_iterator(path_), fs::directory_iterator{}));
  }

 private:
  fs::path path_;
};

inline void put_file(const fs::path& path, const std::string& bytes) {
  std::ofstream file(path, std::ios::binary);
  file.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
}

inline std::string get_file(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

inline std::string padded(std::string bytes, char filler) {
  bytes.resize((bytes.size() + 2879) / 2880 * 2880, filler);
  return bytes;
}

/// `KEYWORD =                value`.
inline std::string card(const std::string& keyword, const std::string& value) {
  return fmt::format("{:<8}= {:>20}", keyword, value);
}
inline std::string card(const std::string& keyword, long long value) {
  return card(keyword, fmt::format("{}", value));
}

inline std::string header(const std::vector<std::string>& cards) {
  std::string text;
  for (const auto& line : cards) text += fmt::format("{:<80}", line);
  return padded(text + "END", ' ');
}

/// Layout cards of a primary image, then the given ones.
inline std::string image_header(int bitpix, const std::vector<long long>& axes,
                                const std::vector<std::string>& more = {}, bool extension = false) {
  std::vector<std::string> cards{extension ? "XTENSION= 'IMAGE   '" : card("SIMPLE", "T"),
                                 card("BITPIX", bitpix),
                                 card("NAXIS", static_cast<long long>(axes.size()))};
  for (std::size_t i = 0; i < axes.size(); ++i) {
    cards.push_back(card(fmt::format("NAXIS{}", i + 1), axes[i]));
  }
  if (extension) {
    cards.push_back(card("PCOUNT", 0));
    cards.push_back(card("GCOUNT", 1));
  }
  cards.insert(cards.end(), more.begin(), more.end());
  return header(cards);
}

/// The bytes of a number, most significant first.
inline std::string big_endian(std::uint64_t bits, int bytes) {
  std::string text;
  for (int i = bytes - 1; i >= 0; --i) {
    text += static_cast<char>(static_cast<unsigned char>(bits >> (8 * i)));
  }
  return text;
}

inline std::string gzipped(const std::string& bytes) {
  z_stream stream{};
  deflateInit2(&stream, 6, Z_DEFLATED, 15 + 16, 8, Z_DEFAULT_STRATEGY);
  std::string out(deflateBound(&stream, bytes.size()), '\0');
  stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(bytes.data()));
  stream.avail_in = static_cast<uInt>(bytes.size());
  stream.next_out = reinterpret_cast<Bytef*>(out.data());
  stream.avail_out = static_cast<uInt>(out.size());
  deflate(&stream, Z_FINISH);
  out.resize(stream.total_out);
  deflateEnd(&stream);
  return out;
}

/// The error a call throws; an empty one when it throws none.
inline coldframe::Error error_of(const std::function<void()>& call) {
  try {
    call();
  } catch (const coldframe::Error& error) {
    return error;
  }
  return {coldframe::ErrorKind::interrupted, "", "nothing was thrown", ""};
}

/// Some 16-bit pattern with all bits in motion.
inline std::uint16_t pattern(int x, int y, int plane = 0) {
  return static_cast<std::uint16_t>(40503 * x + 30011 * y + 12345 * plane + 17);
}

/// A plain unsigned 16-bit image of `pattern`.
inline std::string pattern_file(int width, int height, int planes = 1,
                                const std::vector<std::string>& more = {}) {
  std::vector<long long> axes{width, height};
  if (planes > 1) axes.push_back(planes);
  std::vector<std::string> cards{card("BZERO", 32768), card("BSCALE", 1)};
  cards.insert(cards.end(), more.begin(), more.end());
  std::string data;
  for (int p = 0; p < planes; ++p) {
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) data += big_endian(pattern(x, y, p) ^ 0x8000U, 2);
    }
  }
  return image_header(16, axes, cards) + padded(data, '\0');
}

}  // namespace fixtures
