// Overscan and trim sections of raw frames.
#include "session/raw_frame.hpp"

#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

FrameInfo sensor_info() {
  FrameInfo info;
  info.size = {132, 90};
  info.cfa = CfaPattern::rggb;
  return info;
}

// 20 columns of overscan: level 500, 3 ADU read noise, a slope over the rows and row noise.
Grid<float> overscan_with(double row_noise, std::vector<double>& truth) {
  constexpr int rows = 400;
  Grid<float> pixels(20, rows);
  truth.resize(rows);
  for (int y = 0; y < rows; ++y) {
    RandomStream random(3, 1, static_cast<std::uint64_t>(y));
    truth[static_cast<std::size_t>(y)] = 500.0 + 0.02 * y + row_noise * random.normal();
    for (float& v : pixels.row(y)) {
      v = static_cast<float>(
          std::round(truth[static_cast<std::size_t>(y)] + 3.0 * random.normal()));
    }
  }
  pixels(7, 100) = 60000.0F;  // a particle's hit
  return pixels;
}

double rms_error(double row_noise) {
  std::vector<double> truth;
  const auto pixels = overscan_with(row_noise, truth);
  const Rect section{300, 0, 320, 400};
  const auto rows = overscan_rows(pixels.cview(), section, {0, 0, 300, 400});
  REQUIRE(rows.size() == 400);
  double sum = 0.0;
  for (std::size_t y = 0; y < rows.size(); ++y) {
    sum += std::pow(static_cast<double>(rows[y]) - truth[y], 2) / static_cast<double>(rows.size());
  }
  return std::sqrt(sum);
}

}  // namespace

TEST_CASE("the image area follows the sections and moves the colours", "[session][sections]") {
  auto info = sensor_info();
  info.trim_section = Rect{11, 3, 131, 89};
  info.bias_section = Rect{0, 0, 10, 90};
  trim_to_image_area(info);
  CHECK(info.size == Size{120, 86});
  CHECK(info.image_area.value() == Rect{11, 3, 131, 89});
  CHECK(info.cfa == CfaPattern::bggr);  // both cuts are odd
  trim_to_image_area(info);             // once is enough
  CHECK(info.size == Size{120, 86});

  auto strip = sensor_info();
  strip.bias_section = Rect{122, 0, 132, 90};
  trim_to_image_area(strip);
  CHECK(strip.size == Size{122, 90});
  CHECK(strip.cfa == CfaPattern::rggb);

  auto window = sensor_info();
  window.bias_section = Rect{40, 40, 60, 60};  // in the middle: no overscan
  window.data_section = Rect{0, 0, 132, 90};
  trim_to_image_area(window);
  CHECK_FALSE(window.image_area);
}

TEST_CASE("overscan follows rows only as far as they really scatter", "[session][sections]") {
  // Quiet rows: the running mean of 65 rows of 18 pixels, 3/sqrt(18 * 65) = 0.09 ADU; single rows
  // would have 3/sqrt(18) = 0.71. Near the ends fewer rows are averaged.
  CHECK(rms_error(0.0) < 0.2);
  // Row noise far above that of a row's mean: what remains is the mean's own noise.
  CHECK(rms_error(8.0) < 1.15 * 3.0 / std::sqrt(18.0));
  // Alike: the best linear estimate leaves s n / sqrt(s^2 + n^2) = 0.5.
  CHECK(rms_error(0.71) < 0.62);
}

TEST_CASE("a trimmed frame's header speaks of the trimmed frame", "[session][sections]") {
  auto info = sensor_info();
  info.trim_section = Rect{11, 3, 131, 89};
  trim_to_image_area(info);
  Header header;
  header.set("TRIMSEC", "[12:131,4:89]");
  header.set("BIASSEC", "[1:10,1:90]");
  header.set("CRPIX1", 60.0);
  header.set("CRPIX2", 40.0);
  header.set("BAYERPAT", "RGGB");
  trim_header(header, info);
  CHECK(header.find("TRIMSEC") == nullptr);
  CHECK(header.find("BIASSEC") == nullptr);
  CHECK(header.real("CRPIX1").value() == 49.0);
  CHECK(header.real("CRPIX2").value() == 37.0);
  CHECK(interpret_header(header, info.size, 1).cfa == info.cfa);
  header.set("ROWORDER", "BOTTOM-UP");
  trim_header(header, info);
  CHECK(interpret_header(header, info.size, 1).cfa == info.cfa);
}
