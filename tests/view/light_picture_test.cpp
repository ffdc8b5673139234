// Pictures of 16 and 32 bits, read back by libpng and libtiff; hue and saturation after the
// stretch.
#include <png.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <filesystem>
#include <fstream>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::view {
namespace {

LightPicture ramp(int channels) {
  LightPicture p{300, 70, channels, {}};
  for (int i = 0; i < 300 * 70 * channels; ++i)
    p.light.push_back(static_cast<float>(i % 1001) / 1000.0F);
  return p;
}

std::string written(const std::string& bytes, const char* name) {
  const auto path = std::filesystem::temp_directory_path() /
                    (std::string("coldframe-view-") + std::to_string(::getpid()) + name);
  std::ofstream(path, std::ios::binary) << bytes;
  return path.string();
}

TEST_CASE("TIFF of every depth comes back as written", "[picture]") {
  for (const int channels : {1, 3}) {
    for (const int bits : {8, 16, 32}) {
      for (const bool linear : {false, true}) {
        CAPTURE(channels, bits, linear);
        const auto picture = ramp(channels);
        const auto path = written(encode_tiff(picture, bits, linear), ".tif");
        TIFF* tiff = TIFFOpen(path.c_str(), "r");
        REQUIRE(tiff != nullptr);
        std::string row(static_cast<std::size_t>(TIFFScanlineSize(tiff)), '\0');
        REQUIRE(row.size() == static_cast<std::size_t>(300 * channels * bits / 8));
        double worst = 0.0;
        for (std::uint32_t y = 0; y < 70; ++y) {
          REQUIRE(TIFFReadScanline(tiff, row.data(), y, 0) == 1);
          for (std::size_t i = 0; i < static_cast<std::size_t>(300 * channels); ++i) {
            const double light = static_cast<double>(
                picture.light[y * static_cast<std::size_t>(300 * channels) + i]);
            const double expected = linear ? light : srgb_encode(light);
            double found = 0.0;
            if (bits == 8) found = static_cast<unsigned char>(row[i]) / 255.0;
            std::uint16_t code = 0;
            float value = 0.0F;
            if (bits == 16) std::memcpy(&code, row.data() + 2 * i, 2);
            if (bits == 32) std::memcpy(&value, row.data() + 4 * i, 4);
            if (bits == 16) found = code / 65535.0;
            if (bits == 32) found = static_cast<double>(value);
            worst = std::max(worst, std::fabs(found - expected));
          }
        }
        TIFFClose(tiff);
        std::filesystem::remove(path);
        CHECK(worst <= (bits == 8 ? 0.5001 / 255 : bits == 16 ? 0.5001 / 65535 : 1e-7));
      }
    }
  }
}

TEST_CASE("PNG of 16 bits comes back as written", "[picture]") {
  for (const int channels : {1, 3}) {
    const auto picture = ramp(channels);
    const auto path = written(encode_png(picture, 16), ".png");
    std::FILE* file = std::fopen(path.c_str(), "rb");
    REQUIRE(file != nullptr);
    png_structp png = png_create_read_struct(PNG_LIBPNG_VER_STRING, nullptr, nullptr, nullptr);
    png_infop info = png_create_info_struct(png);
    png_init_io(png, file);
    png_read_png(png, info, PNG_TRANSFORM_IDENTITY, nullptr);
    CHECK(png_get_bit_depth(png, info) == 16);
    CHECK(png_get_channels(png, info) == channels);
    int intent = -1;
    CHECK(png_get_sRGB(png, info, &intent) != 0);
    png_bytepp rows = png_get_rows(png, info);
    double worst = 0.0;
    for (std::size_t y = 0; y < 70; ++y) {
      for (std::size_t i = 0; i < static_cast<std::size_t>(300 * channels); ++i) {
        const double found = (256.0 * rows[y][2 * i] + rows[y][2 * i + 1]) / 65535.0;
        const double light =
            static_cast<double>(picture.light[y * static_cast<std::size_t>(300 * channels) + i]);
        worst = std::max(worst, std::fabs(found - srgb_encode(light)));
      }
    }
    CHECK(worst <= 0.5001 / 65535);
    png_destroy_read_struct(&png, &info, nullptr);
    std::fclose(file);
    std::filesystem::remove(path);
  }
}

double hue_deg(const float* c) {
  const double r = static_cast<double>(c[0]), g = static_cast<double>(c[1]),
               b = static_cast<double>(c[2]);
  return std::atan2(std::sqrt(3.0) * (g - b), 2.0 * r - g - b) * 57.29577951;
}

TEST_CASE("a star keeps its hue within a degree from faint to beyond white", "[picture]") {
  // Colours of a cool, a sun-like and a hot star (ratios of the planes, invented).
  const double colours[3][3] = {{1.6, 1.0, 0.5}, {1.1, 1.0, 0.85}, {0.7, 1.0, 1.5}};
  for (const auto& colour : colours) {
    for (const double saturation : {1.0, 1.6}) {
      Stretch stretch;
      stretch.black[0] = 90.0;
      stretch.black[1] = 100.0;
      stretch.black[2] = 80.0;
      stretch.softening = 30.0;
      stretch.white = 20000.0;
      stretch.saturation = saturation;
      Image image({40, 1}, 3);
      for (int x = 0; x < 40; ++x) {
        const double light = 20.0 * std::pow(10.0, x * 0.1);  // to ten times white
        for (int p = 0; p < 3; ++p) {
          image.plane(p)(x, 0) = static_cast<float>(stretch.black[p] + light * colour[p]);
        }
      }
      const auto picture = render_light(image, stretch);
      const float truth[3] = {static_cast<float>(colour[0]), static_cast<float>(colour[1]),
                              static_cast<float>(colour[2])};
      for (int x = 0; x < 40; ++x) {
        CAPTURE(x);
        const double turn =
            hue_deg(&picture.light[static_cast<std::size_t>(3 * x)]) - hue_deg(truth);
        CHECK(std::fabs(turn) < 1.0);
      }
    }
  }
}

TEST_CASE("saturation 0 is grey, more moves away from grey", "[picture]") {
  Image image({1, 1}, 3);
  image.plane(0)(0, 0) = 30.0F;
  image.plane(1)(0, 0) = 20.0F;
  image.plane(2)(0, 0) = 10.0F;
  Stretch stretch;
  stretch.white = 1e6;  // nothing comes near white
  const auto plain = render_light(image, stretch).light;
  stretch.saturation = 0.0;
  const auto grey = render_light(image, stretch).light;
  stretch.saturation = 1.5;
  const auto vivid = render_light(image, stretch).light;
  CHECK(grey[0] == Approx(grey[2]).epsilon(1e-6));
  CHECK(vivid[0] - vivid[2] == Approx(1.5 * (plain[0] - plain[2])).epsilon(1e-5));
  CHECK(plain[0] + plain[1] + plain[2] == Approx(grey[0] + grey[1] + grey[2]).epsilon(1e-5));
}

TEST_CASE("unstretched light is the share of white", "[picture]") {
  Image image({3, 1}, 1);
  image.plane(0)(0, 0) = 100.0F;
  image.plane(0)(1, 0) = 350.0F;
  image.plane(0)(2, 0) = 90.0F;
  Stretch stretch;
  stretch.black[0] = 100.0;
  stretch.white = 500.0;
  const auto light = render_light(image, stretch, false).light;
  CHECK(light[0] == 0.0F);
  CHECK(light[1] == Approx(0.5));
  CHECK(light[2] == 0.0F);
}

}  // namespace
}  // namespace coldframe::view
