#include "preview.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/fits/file_writer.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::session {
namespace {

constexpr int preview_px = 1600;

}  // namespace

Image binned_image(const fits::ImageFile& file, int longest_px) {
  const Size size = file.size();
  const int bin = std::max((std::max(size.width, size.height) + longest_px - 1) / longest_px, 1);
  Image picture({size.width / bin, size.height / bin}, file.planes());
  Grid<float> rows(size.width, bin);
  for (int p = 0; p < file.planes(); ++p) {
    for (int j = 0; j < picture.height(); ++j) {
      file.fill(p, {0, j * bin, size.width, (j + 1) * bin}, rows.view());
      for (int i = 0; i < picture.width(); ++i) {
        double sum = 0.0;
        int count = 0;
        for (int y = 0; y < bin; ++y) {
          for (int x = i * bin; x < (i + 1) * bin; ++x) {
            if (!std::isfinite(rows(x, y))) continue;
            sum += static_cast<double>(rows(x, y));
            ++count;
          }
        }
        picture.plane(p)(i, j) =
            count > 0 ? static_cast<float>(sum / count) : std::numeric_limits<float>::quiet_NaN();
      }
    }
  }
  return picture;
}

void write_preview(const std::filesystem::path& image, const std::filesystem::path& png,
                   const std::optional<sky::ColourBalance>& balance) {
  const auto file = fits::ImageFile::open(image);
  const Image picture = binned_image(*file, preview_px);
  view::StretchOptions options;
  if (balance) {
    options.gain[0] = balance->red;
    options.gain[1] = balance->green;
    options.gain[2] = balance->blue;
  }
  fits::write_file_atomically(
      png, view::encode_png(view::render(picture, view::automatic_stretch(picture, options))));
}

}  // namespace coldframe::session
