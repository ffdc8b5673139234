// TIFF through libtiff, into memory: the file itself is written atomically elsewhere.
#include <tiffio.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <memory>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::view {
namespace {

struct Memory {
  std::string bytes;
  std::size_t at = 0;
};

tmsize_t read_bytes(thandle_t handle, void* into, tmsize_t size) {
  auto& memory = *static_cast<Memory*>(handle);
  if (memory.at >= memory.bytes.size()) return 0;
  const auto count = std::min(static_cast<std::size_t>(size), memory.bytes.size() - memory.at);
  std::memcpy(into, memory.bytes.data() + memory.at, count);
  memory.at += count;
  return static_cast<tmsize_t>(count);
}

tmsize_t write_bytes(thandle_t handle, void* from, tmsize_t size) {
  auto& memory = *static_cast<Memory*>(handle);
  const auto count = static_cast<std::size_t>(size);
  if (memory.bytes.size() < memory.at + count) memory.bytes.resize(memory.at + count);
  std::memcpy(memory.bytes.data() + memory.at, from, count);
  memory.at += count;
  return size;
}

toff_t seek(thandle_t handle, toff_t offset, int whence) {
  auto& memory = *static_cast<Memory*>(handle);
  const std::size_t base = whence == SEEK_CUR   ? memory.at
                           : whence == SEEK_END ? memory.bytes.size()
                                                : 0;
  memory.at = base + static_cast<std::size_t>(offset);
  return static_cast<toff_t>(memory.at);
}

int close_nothing(thandle_t) { return 0; }
toff_t size_of(thandle_t handle) { return static_cast<Memory*>(handle)->bytes.size(); }

using Handle = std::unique_ptr<TIFF, decltype(&TIFFClose)>;

void describe(TIFF* tiff, const LightPicture& picture, int bits, bool linear,
              const std::string& note) {
  TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, static_cast<std::uint32_t>(picture.width));
  TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, static_cast<std::uint32_t>(picture.height));
  TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, picture.channels);
  TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, bits);
  TIFFSetField(tiff, TIFFTAG_SAMPLEFORMAT, bits == 32 ? SAMPLEFORMAT_IEEEFP : SAMPLEFORMAT_UINT);
  TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(tiff, TIFFTAG_PHOTOMETRIC,
               picture.channels == 3 ? PHOTOMETRIC_RGB : PHOTOMETRIC_MINISBLACK);
  TIFFSetField(tiff, TIFFTAG_COMPRESSION, COMPRESSION_ADOBE_DEFLATE);
  TIFFSetField(tiff, TIFFTAG_PREDICTOR,
               bits == 32 ? PREDICTOR_FLOATINGPOINT : PREDICTOR_HORIZONTAL);
  TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, 64U);
  const std::string program = "coldframe " + std::string(version());
  TIFFSetField(tiff, TIFFTAG_SOFTWARE, program.c_str());
  std::string words = linear ? "linear light, 0 black to 1 white" : "sRGB encoded (IEC 61966-2-1)";
  if (!note.empty()) words += "; " + note;
  TIFFSetField(tiff, TIFFTAG_IMAGEDESCRIPTION, words.c_str());
}

// One row in the samples that the file holds.
void pack(const float* light, std::size_t count, int bits, bool linear, std::string& row) {
  row.resize(count * static_cast<std::size_t>(bits / 8));
  for (std::size_t i = 0; i < count; ++i) {
    const double clean = std::clamp(static_cast<double>(light[i]), 0.0, 1.0);
    const double value = linear ? clean : srgb_encode(clean);
    if (bits == 32) {
      const auto sample = static_cast<float>(value);
      std::memcpy(row.data() + 4 * i, &sample, 4);
    } else if (bits == 16) {
      const auto sample = static_cast<std::uint16_t>(std::lround(65535.0 * value));
      std::memcpy(row.data() + 2 * i, &sample, 2);
    } else {
      row[i] = static_cast<char>(static_cast<std::uint8_t>(std::lround(255.0 * value)));
    }
  }
}

}  // namespace

std::string encode_tiff(const LightPicture& picture, int bits, bool linear,
                        const std::string& note) {
  Memory memory;
  const auto fail = [] { return Error(ErrorKind::io, "", "the TIFF encoder failed", ""); };
  {
    const Handle tiff(TIFFClientOpen("picture", "w", &memory, &read_bytes, &write_bytes, &seek,
                                     &close_nothing, &size_of, nullptr, nullptr),
                      &TIFFClose);
    if (!tiff) throw fail();
    describe(tiff.get(), picture, bits, linear, note);
    const auto pitch =
        static_cast<std::size_t>(picture.width) * static_cast<std::size_t>(picture.channels);
    std::string row;
    for (std::size_t y = 0; y < static_cast<std::size_t>(picture.height); ++y) {
      pack(picture.light.data() + y * pitch, pitch, bits, linear, row);
      if (TIFFWriteScanline(tiff.get(), row.data(), static_cast<std::uint32_t>(y), 0) < 0) {
        throw fail();
      }
    }
  }
  return std::move(memory.bytes);
}

}  // namespace coldframe::view
