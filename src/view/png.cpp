#include <png.h>

#include <cstring>

#include "coldframe/core/error.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::view {

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
