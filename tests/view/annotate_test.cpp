// What is drawn onto a picture lies where it should and reads.
#include <cmath>

#include "catch.hpp"
#include "coldframe/view/annotate.hpp"

namespace coldframe::view {
namespace {

LightPicture grey(int width, int height, int channels) {
  return {width, height, channels,
          std::vector<float>(
              static_cast<std::size_t>(width) * static_cast<std::size_t>(height * channels), 0.3F)};
}

float light_at(const LightPicture& p, int x, int y) {
  return p.light[(static_cast<std::size_t>(y) * static_cast<std::size_t>(p.width) +
                  static_cast<std::size_t>(x)) *
                 static_cast<std::size_t>(p.channels)];
}

int white_in(const LightPicture& p, int x0, int y0, int x1, int y1) {
  int count = 0;
  for (int y = y0; y < y1; ++y) {
    for (int x = x0; x < x1; ++x) count += light_at(p, x, y) > 0.9F ? 1 : 0;
  }
  return count;
}

}  // namespace

TEST_CASE("a scale bar is a round number of at most a quarter of the picture", "[annotate]") {
  const auto minutes = scale_bar(1.5, 1000);  // a quarter: 375 arcsec
  CHECK(minutes.label == "5 arcmin");
  CHECK(minutes.length_px == Approx(200.0));
  CHECK(scale_bar(30.0, 4000).label == "5 deg");
  CHECK(scale_bar(0.5, 200).label == "20 arcsec");
  const double widths[] = {300, 777, 4096, 9576};
  for (const double width : widths) {
    const auto bar = scale_bar(1.27, static_cast<int>(width));
    CHECK(bar.length_px <= 0.25 * width);
    CHECK(bar.length_px > 0.08 * width);
  }
}

TEST_CASE("the bar has its length and its label above it", "[annotate]") {
  for (const int channels : {1, 3}) {
    auto picture = grey(400, 300, channels);
    Annotations all;
    all.bar = ScaleBar{100.0, "5 arcmin"};
    annotate(picture, all);
    int longest = 0;
    for (int y = 0; y < 300; ++y) longest = std::max(longest, white_in(picture, 0, y, 400, y + 1));
    CHECK(longest == Approx(101).margin(2));
    CHECK(white_in(picture, 0, 270, 200, 284) > 50);  // the label's letters
    CHECK(white_in(picture, 0, 0, 400, 260) == 0);
    // Dark about the ink, untouched far away.
    CHECK(light_at(picture, 200, 100) == 0.3F);
  }
}

TEST_CASE("a ring lies about its object and the label beside it", "[annotate]") {
  auto picture = grey(500, 400, 3);
  Annotations all;
  all.objects.push_back({{200.0, 150.0}, 40.0, "WREN 7"});
  all.objects.push_back({{9000.0, 150.0}, 40.0, "far away"});
  all.objects.push_back({{490.0, 300.0}, 8.0, "AT THE EDGE"});
  annotate(picture, all);
  for (int k = 0; k < 16; ++k) {
    const double angle = 2.0 * 3.14159265358979 * k / 16.0;
    const int x = static_cast<int>(std::lround(200.0 + 40.0 * std::cos(angle)));
    const int y = static_cast<int>(std::lround(150.0 + 40.0 * std::sin(angle)));
    CHECK(white_in(picture, x - 1, y - 1, x + 2, y + 2) > 0);
  }
  CHECK(light_at(picture, 200, 150) == 0.3F);
  CHECK(white_in(picture, 242, 144, 300, 158) > 40);
  // A label that would leave the picture stands on the other side.
  CHECK(white_in(picture, 400, 290, 480, 310) > 40);
}

TEST_CASE("the arrows of a mirrored picture show it mirrored", "[annotate]") {
  auto plain = grey(400, 400, 1), mirrored = grey(400, 400, 1);
  Annotations all;
  all.compass = Compass{{0.0, -1.0}, {-1.0, 0.0}};
  annotate(plain, all);
  all.compass = Compass{{0.0, -1.0}, {1.0, 0.0}};
  annotate(mirrored, all);
  CHECK(white_in(plain, 320, 352, 350, 360) > 10);
  CHECK(white_in(plain, 358, 352, 390, 360) == 0);
  CHECK(white_in(mirrored, 320, 352, 350, 360) == 0);
  CHECK(white_in(mirrored, 362, 352, 390, 360) > 10);
}

TEST_CASE("no text brings the drawing to a fall", "[annotate]") {
  auto picture = grey(60, 40, 3);
  Annotations all;
  all.objects.push_back({{30.0, 20.0}, 3.0, "\xC2\xB0 \xE2\x98\x85 \x01\xFF <b>\"'"});
  all.objects.push_back({{0.0, 0.0}, 1e9, std::string(500, 'W')});
  all.bar = ScaleBar{1e6, "x"};
  annotate(picture, all);
  for (const float v : picture.light) REQUIRE((v >= 0.0F && v <= 1.0F));
}

}  // namespace coldframe::view
