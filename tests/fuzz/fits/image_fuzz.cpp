// Any bytes as an image: opening and filling rectangles.
#include <algorithm>

#include "coldframe/core/error.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fits/input_file.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  try {
    const auto image = coldframe::fits::ImageFile::open(file.path());
    const auto [width, height] = image->size();
    constexpr int most = 300;
    const coldframe::Rect corners[] = {
        {0, 0, std::min(width, most), std::min(height, most)},
        {std::max(0, width - most), std::max(0, height - most), width, height},
        {width / 2, height / 2, width / 2 + 1, height / 2 + 1}};
    for (const auto& rect : corners) {
      for (int plane = 0; plane < image->planes(); ++plane) {
        coldframe::Grid<float> pixels(rect.size());
        image->fill(plane, rect, pixels.view());
      }
    }
  } catch (const coldframe::Error&) {
  }
  return 0;
}
