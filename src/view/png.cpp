#include <png.h>

#include <algorithm>
#include <cmath>
#include <cstring>

#include "coldframe/core/error.hpp"
#include "coldframe/view/picture.hpp"
#include "srgb.hpp"

namespace coldframe::view {
namespace {

// A buffer that never grows while the library writes: no exception may pass through its frames.
struct Bytes {
  std::string text;
  std::size_t room = 0;
};

void append(png_structp png, png_bytep data, png_size_t size) {
  auto& bytes = *static_cast<Bytes*>(png_get_io_ptr(png));
  if (bytes.text.size() + size > bytes.room) png_error(png, "the picture outgrew its buffer");
  bytes.text.append(reinterpret_cast<const char*>(data), size);
}

void flush_nothing(png_structp) {}

struct Shape {
  png_uint_32 width, height;
  int colour_type;
  int bits;
};

// The library leaves by a long jump when something fails: here is nothing that would need an end.
bool write_rows(png_structp png, png_infop info, Shape shape, png_textp note, png_bytepp rows) {
  if (setjmp(png_jmpbuf(png)) != 0) return false;
  png_set_IHDR(png, info, shape.width, shape.height, shape.bits, shape.colour_type,
               PNG_INTERLACE_NONE, PNG_COMPRESSION_TYPE_DEFAULT, PNG_FILTER_TYPE_DEFAULT);
  png_set_sRGB_gAMA_and_cHRM(png, info, PNG_sRGB_INTENT_PERCEPTUAL);
  if (note != nullptr) png_set_text(png, info, note, 1);
  png_write_info(png, info);
  png_write_image(png, rows);
  png_write_end(png, info);
  return true;
}

class PngStructs {
 public:
  PngStructs()
      : png(png_create_write_struct(PNG_LIBPNG_VER_STRING, nullptr, nullptr, nullptr)),
        info(png != nullptr ? png_create_info_struct(png) : nullptr) {}
  ~PngStructs() { png_destroy_write_struct(&png, &info); }
  PngStructs(const PngStructs&) = delete;
  PngStructs& operator=(const PngStructs&) = delete;

  png_structp png;
  png_infop info;
};

// Samples as the file wants them: big-endian.
std::vector<png_byte> samples_of(const LightPicture& picture, int bits) {
  std::vector<png_byte> samples;
  samples.reserve(picture.light.size() * static_cast<std::size_t>(bits / 8));
  const SrgbTable code;
  for (const float value : picture.light) {
    const double light = std::clamp(static_cast<double>(value), 0.0, 1.0);
    if (bits == 8) {
      samples.push_back(code(light));
      continue;
    }
    const auto wide = static_cast<unsigned>(std::lround(65535.0 * srgb_encode(light)));
    samples.push_back(static_cast<png_byte>(wide >> 8U));
    samples.push_back(static_cast<png_byte>(wide & 255U));
  }
  return samples;
}

}  // namespace

std::string encode_png(const Picture& picture) {
  const auto pixels = static_cast<std::size_t>(picture.width) *
                      static_cast<std::size_t>(picture.height) *
                      static_cast<std::size_t>(picture.channels);
  if (picture.width <= 0 || picture.height <= 0 || picture.pixels.size() != pixels) {
    throw Error(ErrorKind::usage, "", "a picture without pixels cannot be written", "");
  }
  // libpng's one-call interface: its long jumps stay inside the library and
  // 8-bit data get an sRGB chunk.
  png_image image;
  std::memset(&image, 0, sizeof image);
  image.version = PNG_IMAGE_VERSION;
  image.width = static_cast<png_uint_32>(picture.width);
  image.height = static_cast<png_uint_32>(picture.height);
  image.format = picture.channels == 3 ? PNG_FORMAT_RGB : PNG_FORMAT_GRAY;
  png_alloc_size_t size = PNG_IMAGE_PNG_SIZE_MAX(image);
  std::string bytes(size, '\0');
  const int done =
      png_image_write_to_memory(&image, bytes.data(), &size, 0, picture.pixels.data(), 0, nullptr);
  const std::string message = image.message;
  png_image_free(&image);
  if (done == 0) throw Error(ErrorKind::io, "", "the PNG encoder failed: " + message, "");
  bytes.resize(size);
  return bytes;
}

std::string encode_png(const LightPicture& picture, int bits, const std::string& note) {
  auto samples = samples_of(picture, bits);
  const auto height = static_cast<std::size_t>(picture.height);
  const auto pitch = samples.size() / std::max<std::size_t>(height, 1);
  std::vector<png_bytep> rows;
  for (std::size_t y = 0; y < height; ++y) rows.push_back(samples.data() + y * pitch);
  PngStructs structs;
  if (structs.info == nullptr) throw Error(ErrorKind::io, "", "the PNG encoder did not start", "");
  Bytes bytes;
  // Stored blocks at worst, and room for the chunks' frames.
  bytes.room = samples.size() + samples.size() / 64 + 64 * height + 65536 + note.size();
  bytes.text.reserve(bytes.room);
  png_set_write_fn(structs.png, &bytes, &append, &flush_nothing);
  std::string key = "Description", words = note;
  png_text text{};
  text.compression = PNG_TEXT_COMPRESSION_NONE;
  text.key = key.data();
  text.text = words.data();
  text.text_length = words.size();
  const Shape shape{static_cast<png_uint_32>(picture.width),
                    static_cast<png_uint_32>(picture.height),
                    picture.channels == 3 ? PNG_COLOR_TYPE_RGB : PNG_COLOR_TYPE_GRAY, bits};
  if (!write_rows(structs.png, structs.info, shape, note.empty() ? nullptr : &text, rows.data())) {
    throw Error(ErrorKind::io, "", "the PNG encoder failed", "");
  }
  return std::move(bytes.text);
}

std::string base64(std::string_view bytes) {
  static constexpr char digits[] =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string text;
  text.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t i = 0; i < bytes.size(); i += 3) {
    unsigned group = 0;
    const std::size_t have = std::min<std::size_t>(3, bytes.size() - i);
    for (std::size_t k = 0; k < 3; ++k) {
      group = group << 8U | (k < have ? static_cast<unsigned char>(bytes[i + k]) : 0U);
    }
    for (std::size_t k = 0; k < 4; ++k) {
      text += k <= have ? digits[group >> (18U - 6U * static_cast<unsigned>(k)) & 63U] : '=';
    }
  }
  return text;
}

}  // namespace coldframe::view
