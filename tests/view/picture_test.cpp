// Pictures: asinh after Lupton et al. 2004 (PASP 116, 133), sRGB after IEC 61966-2-1
// (DIS-2 and DIS-3 of the project's check-values), PNG by decoding with libpng,
// base64 with the vectors of RFC 4648 section 10.
#include "coldframe/view/picture.hpp"

#include <png.h>

#include <algorithm>
#include <cmath>
#include <cstring>
#include <limits>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;

namespace {

constexpr float nan_value = std::numeric_limits<float>::quiet_NaN();

/// Sky with noise, one galaxy with a faint exponential halo, stars of the colours given.
Image deep_field(int planes, const double (&sky)[3], double noise, std::uint64_t seed) {
  Image image({600, 400}, planes);
  for (int p = 0; p < planes; ++p) {
    RandomStream random(seed, static_cast<std::uint32_t>(p), 0);
    auto plane = image.plane(p);
    for (int y = 0; y < 400; ++y) {
      for (int x = 0; x < 600; ++x) {
        const double galaxy = 60.0 * noise * std::exp(-std::hypot(x - 300, 1.4 * (y - 200)) / 20.0);
        plane(x, y) = static_cast<float>(sky[p] + galaxy + noise * random.normal());
      }
    }
  }
  RandomStream place(seed, 9, 0);
  for (int k = 0; k < 150; ++k) {
    const int cx = 10 + static_cast<int>(place.uniform() * 580);
    const int cy = 10 + static_cast<int>(place.uniform() * 380);
    const double peak = 20.0 * noise * std::pow(place.uniform(), -1.3);
    for (int p = 0; p < planes; ++p) {
      auto plane = image.plane(p);
      for (int y = cy - 9; y <= cy + 9; ++y) {
        for (int x = cx - 9; x <= cx + 9; ++x) {
          const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
          plane(x, y) += static_cast<float>(peak * std::exp(-r2 / 3.0));
        }
      }
    }
  }
  return image;
}

/// Median code of a channel over a square of the picture (top row first).
int median_code(const view::Picture& picture, int x0, int y0, int side, int channel) {
  std::vector<int> codes;
  for (int y = y0; y < y0 + side; ++y) {
    for (int x = x0; x < x0 + side; ++x) {
      codes.push_back(picture.pixels[static_cast<std::size_t>(
          (y * picture.width + x) * picture.channels + channel)]);
    }
  }
  std::nth_element(codes.begin(), codes.begin() + static_cast<std::ptrdiff_t>(codes.size() / 2),
                   codes.end());
  return codes[codes.size() / 2];
}

double share_of_codes(const view::Picture& picture, int low, int high) {
  const auto n = std::count_if(picture.pixels.begin(), picture.pixels.end(),
                               [&](std::uint8_t v) { return v >= low && v <= high; });
  return static_cast<double>(n) / static_cast<double>(picture.pixels.size());
}

view::Picture decode(const std::string& png, std::string* chunks = nullptr) {
  png_image image;
  std::memset(&image, 0, sizeof image);
  image.version = PNG_IMAGE_VERSION;
  REQUIRE(png_image_begin_read_from_memory(&image, png.data(), png.size()) != 0);
  view::Picture picture;
  picture.width = static_cast<int>(image.width);
  picture.height = static_cast<int>(image.height);
  picture.channels = (image.format & PNG_FORMAT_FLAG_COLOR) != 0 ? 3 : 1;
  image.format = picture.channels == 3 ? PNG_FORMAT_RGB : PNG_FORMAT_GRAY;
  picture.pixels.resize(PNG_IMAGE_SIZE(image));
  REQUIRE(png_image_finish_read(&image, nullptr, picture.pixels.data(), 0, nullptr) != 0);
  if (chunks != nullptr) {
    // Chunk: length (4, big-endian), type (4), data, CRC (4); after the 8 bytes of the signature.
    for (std::size_t at = 8; at + 8 <= png.size();) {
      const auto byte = [&](std::size_t i) {
        return static_cast<std::size_t>(static_cast<unsigned char>(png[at + i]));
      };
      *chunks += png.substr(at + 4, 4) + " ";
      at += 12 + (byte(0) << 24U) + (byte(1) << 16U) + (byte(2) << 8U) + byte(3);
    }
  }
  return picture;
}

}  // namespace

TEST_CASE("DIS-2: the colour asinh of the paper") {
  const struct {
    double in[3];
    double out[3];
  } cases[] = {{{0.1, 0.2, 0.3}, {0.117491474, 0.234982948, 0.352474422}},
               {{1.0, 0.5, 0.1}, {0.665752248, 0.332876124, 0.066575225}},
               {{5, 5, 5}, {0.634401609, 0.634401609, 0.634401609}},
               {{0, 0, 0}, {0, 0, 0}}};
  for (const auto& c : cases) {
    double rgb[3] = {c.in[0], c.in[1], c.in[2]};
    view::lupton_asinh(rgb, 8.0, 0.5, 0.0);
    for (int p = 0; p < 3; ++p) CHECK(rgb[p] == Approx(c.out[p]).margin(1e-9));
  }
  // Brought to a largest channel of 1, ratios unchanged.
  double bright[3] = {9e5, 3e5, 1e5};
  view::lupton_asinh(bright, 8.0, 1e-3, 0.0);
  CHECK(bright[0] == Approx(1.0).epsilon(1e-12));
  CHECK(bright[1] == Approx(1.0 / 3.0).epsilon(1e-12));
  CHECK(bright[2] == Approx(1.0 / 9.0).epsilon(1e-12));
}

TEST_CASE("DIS-3: sRGB encoding") {
  const double pairs[][2] = {{0.001, 0.01292},
                             {0.0031308, 0.0404499360},
                             {0.01, 0.0998528227},
                             {0.05, 0.2478005280},
                             {0.18, 0.4613561295},
                             {0.2140411405, 0.5},
                             {0.5, 0.7353569831},
                             {1.0, 1.0},
                             {0.0, 0.0}};
  for (const auto& pair : pairs) CHECK(view::srgb_encode(pair[0]) == Approx(pair[1]).margin(1e-9));
}

TEST_CASE("the automatic stretch shows a dark sky, the faint halo, and does not burn the stars") {
  for (const double level : {0.0, 150.0, 30000.0}) {
    for (const double noise : {0.5, 12.0}) {
      CAPTURE(level, noise);
      const Image image = deep_field(1, {level, level, level}, noise, 3);
      const auto picture = view::render(image, view::automatic_stretch(image));
      const int sky = median_code(picture, 20, 20, 60, 0);
      CHECK(sky >= 25);
      CHECK(sky <= 70);
      // Black three sigma down: one in 741 of Gaussian noise lies below.
      CHECK(share_of_codes(picture, 0, 0) < 0.005);
      CHECK(share_of_codes(picture, 255, 255) < 0.002);
      // 80 px out the halo is 60 exp(-4) = 1.1 sigma per pixel: clearly brighter than the sky.
      const int halo = median_code(picture, 375, 195, 10, 0);
      CHECK(halo >= sky + 6);
      CHECK(median_code(picture, 296, 196, 8, 0) > 150);
    }
  }
}

TEST_CASE("every plane's sky comes out the same grey") {
  const double sky[3] = {300.0, 900.0, 550.0};
  const Image image = deep_field(3, sky, 9.0, 5);
  const auto picture = view::render(image, view::automatic_stretch(image));
  const int red = median_code(picture, 20, 20, 60, 0);
  CHECK(std::abs(median_code(picture, 20, 20, 60, 1) - red) <= 1);
  CHECK(std::abs(median_code(picture, 20, 20, 60, 2) - red) <= 1);
  CHECK(red >= 25);
}

TEST_CASE("balance makes the mean of bright light neutral and keeps one star's own colour") {
  const double sky[3] = {300.0, 300.0, 300.0};
  Image image = deep_field(3, sky, 5.0, 5);
  const double response[3] = {0.6, 1.0, 0.8};
  for (int p = 0; p < 3; ++p) {
    for (int y = 0; y < 400; ++y) {
      for (float& v : image.plane(p).row(y))
        v = static_cast<float>(300.0 + (static_cast<double>(v) - 300.0) * response[p]);
    }
  }
  const auto stretch = view::automatic_stretch(image);
  CHECK(stretch.gain[1] == 1.0);
  CHECK(stretch.gain[0] == Approx(1.0 / 0.6).epsilon(0.05));
  CHECK(stretch.gain[2] == Approx(1.0 / 0.8).epsilon(0.05));
  const auto raw = view::automatic_stretch(image, {.balance = false});
  CHECK(raw.gain[0] == 1.0);
}

TEST_CASE("a star keeps its hue from faint to saturated") {
  view::Stretch stretch;
  stretch.softening = 40.0;
  stretch.white = 5000.0;
  for (const double scale : {200.0, 1000.0, 5000.0, 50000.0}) {
    Image pixel({1, 1}, 3);
    const double colour[3] = {1.0, 0.7, 0.4};
    for (int p = 0; p < 3; ++p) pixel.plane(p)(0, 0) = static_cast<float>(scale * colour[p]);
    const auto picture = view::render(pixel, stretch);
    double linear[3];
    for (std::size_t p = 0; p < 3; ++p) {
      const double code = picture.pixels[p] / 255.0;
      linear[p] = code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
    }
    CAPTURE(scale);
    // Half a code of 255 near mid-grey is 0.4% of linear light.
    CHECK(linear[1] / linear[0] == Approx(0.7).epsilon(0.02));
    CHECK(linear[2] / linear[0] == Approx(0.4).epsilon(0.02));
  }
}

TEST_CASE("rows are turned over, pixels without a number are black, bad stretches refused") {
  Image image({2, 3}, 1);
  image.plane(0)(1, 0) = 1e6F;  // bottom right in the sky convention
  image.plane(0)(0, 2) = nan_value;
  const auto picture = view::render(image, {});
  CHECK(picture.pixels == std::vector<std::uint8_t>{0, 0, 0, 0, 0, 255});
  Image colour({1, 1}, 3);
  colour.plane(0)(0, 0) = 5.0F;
  colour.plane(1)(0, 0) = nan_value;
  CHECK(view::render(colour, {}).pixels == std::vector<std::uint8_t>{0, 0, 0});
  view::Stretch bad;
  bad.softening = 0.0;
  CHECK_THROWS_AS(view::render(image, bad), Error);
}

TEST_CASE("degenerate pictures still get a finite stretch") {
  Image constant({40, 30}, 1);
  Image nothing({40, 30}, 3);
  for (int y = 0; y < 30; ++y) {
    for (int p = 0; p < 3; ++p) {
      for (float& v : nothing.plane(p).row(y)) v = nan_value;
    }
  }
  for (const Image* image : {&constant, &nothing}) {
    const auto stretch = view::automatic_stretch(*image);
    CHECK(std::isfinite(stretch.black[0]));
    CHECK(stretch.softening > 0.0);
    CHECK(stretch.white > 0.0);
    CHECK(view::render(*image, stretch).pixels.size() > 0);
  }
}

TEST_CASE("binning takes the mean of what is there") {
  Image image({5, 4}, 1);
  for (int y = 0; y < 4; ++y) {
    for (int x = 0; x < 5; ++x) image.plane(0)(x, y) = static_cast<float>(x + 10 * y);
  }
  image.plane(0)(0, 0) = nan_value;
  const Image binned = view::bin_image(image, 2);
  REQUIRE(binned.size() == Size{2, 2});
  CHECK(std::as_const(binned).plane(0)(0, 0) == Approx((1.0 + 10.0 + 11.0) / 3.0));
  CHECK(std::as_const(binned).plane(0)(1, 1) == Approx((22.0 + 23.0 + 32.0 + 33.0) / 4.0));
  for (int y = 0; y < 2; ++y) {
    for (int x = 0; x < 2; ++x) image.plane(0)(x, y) = nan_value;
  }
  CHECK(std::isnan(view::bin_image(image, 2).plane(0)(0, 0)));
  CHECK(view::bin_image(image, 1).size() == image.size());
  CHECK(view::bin_image(image, 100).size() == Size{1, 1});
}

TEST_CASE("PNG files decode to the pixels they were made of and say sRGB") {
  for (const int channels : {1, 3}) {
    view::Picture picture;
    picture.width = 37;
    picture.height = 11;
    picture.channels = channels;
    RandomStream random(4, 4, 4);
    for (int i = 0; i < 37 * 11 * channels; ++i) {
      picture.pixels.push_back(static_cast<std::uint8_t>(random.bits() & 255U));
    }
    std::string chunks;
    const auto back = decode(view::encode_png(picture), &chunks);
    CHECK(back.width == 37);
    CHECK(back.height == 11);
    CHECK(back.channels == channels);
    CHECK(back.pixels == picture.pixels);
    CHECK(chunks.find("sRGB") != std::string::npos);
    CHECK(chunks.find("IEND") != std::string::npos);
  }
  CHECK_THROWS_AS(view::encode_png({}), Error);
}

TEST_CASE("base64: RFC 4648, section 10") {
  CHECK(view::base64("").empty());
  CHECK(view::base64("f") == "Zg==");
  CHECK(view::base64("fo") == "Zm8=");
  CHECK(view::base64("foo") == "Zm9v");
  CHECK(view::base64("foob") == "Zm9vYg==");
  CHECK(view::base64("fooba") == "Zm9vYmE=");
  CHECK(view::base64("foobar") == "Zm9vYmFy");
  CHECK(view::base64(std::string("\xFF\x00\xFE", 3)) == "/wD+");
}
