#include "coldframe/sensor/line_noise.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;

namespace {

constexpr int width = 960;
constexpr int height = 640;
constexpr double noise = 10.0;

double galaxy(int x, int y) {  // edge-on, along the rows: 400 px long, 10 px thick
  return 40.0 * std::exp(-0.5 * (std::pow((x - 480) / 90.0, 2) + std::pow((y - 300) / 5.0, 2)));
}

/// Sky with a gradient and a bowl, an edge-on galaxy, stars, line noise.
Grid<float> frame(double row_sd, double column_sd, bool mosaic, std::vector<double>* rows) {
  Grid<float> image(width, height);
  std::vector<double> columns(width);
  RandomStream lines(5, 1, 0);
  for (double& c : columns) c = column_sd * lines.normal();
  for (int y = 0; y < height; ++y) {
    RandomStream random(5, 2, static_cast<std::uint64_t>(y));
    const double offset = row_sd * lines.normal();
    if (rows != nullptr) rows->push_back(offset);
    for (int x = 0; x < width; ++x) {
      const double u = (x - 480.0) / 480.0;
      const double v = (y - 320.0) / 320.0;
      double sky = 500.0 + 60.0 * u + 40.0 * v - 50.0 * (u * u + v * v);
      if (mosaic) sky *= 0.5 + 0.25 * ((x & 1) + (y & 1));
      image(x, y) =
          static_cast<float>(sky + galaxy(x, y) + offset + columns[static_cast<std::size_t>(x)] +
                             noise * random.normal());
    }
  }
  for (int s = 0; s < 300; ++s) {
    const int cx = (s * 379) % (width - 20) + 10;
    const int cy = (s * 211) % (height - 20) + 10;
    for (int dy = -6; dy <= 6; ++dy) {
      for (int dx = -6; dx <= 6; ++dx) {
        image(cx + dx, cy + dy) +=
            static_cast<float>(50.0 * s * std::exp(-0.3 * (dx * dx + dy * dy)));
      }
    }
  }
  return image;
}

double one(double, double) { return 1.0; }

}  // namespace

TEST_CASE("row noise is found, measured and taken out", "[line_noise]") {
  for (const bool mosaic : {false, true}) {
    const auto cfa = mosaic ? CfaPattern::rggb : CfaPattern::none;
    std::vector<double> truth;
    const auto image = frame(2.0, 0.0, mosaic, &truth);
    const Mask mask(width, height);
    const auto offsets = measure_line_noise(image.view(), mask.view(), cfa, one, Threads{2});
    REQUIRE(offsets.rows.size() == static_cast<std::size_t>(height));
    CHECK(offsets.columns.empty());
    // 640 rows by a median absolute deviation: 4.6% (one sigma).
    CHECK(offsets.row_noise.before_adu == test_frames::Near(2.0).epsilon(0.15));
    double before = 0.0, left = 0.0;
    for (int y = 0; y < height; ++y) {
      const double offset = truth[static_cast<std::size_t>(y)];
      const double rest = offset - static_cast<double>(offsets.rows[static_cast<std::size_t>(y)]);
      before += offset * offset;
      left += rest * rest;
    }
    const double sd = std::sqrt(left / height);
    INFO("row noise " << std::sqrt(before / height) << ", left " << sd << ", said "
                      << offsets.row_noise.after_adu);
    // The trends keep 3/64 of the variance, 4/64 in a mosaic (0.43, 0.50); medians of 15 means of
    // 64 pixels have errors of 0.40; the galaxy fills almost half of the cells of its rows.
    CHECK(sd < 0.9);
    CHECK(offsets.row_noise.after_adu == test_frames::Near(sd).epsilon(0.25));
    const auto again = measure_line_noise(image.view(), mask.view(), cfa, one, Threads{5});
    CHECK(again.rows == offsets.rows);
    // The galaxy keeps its light: what is taken from its rows has nothing to do with it.
    double taken = 0.0, wanted = 0.0;
    for (int y = 290; y <= 310; ++y) {
      taken += static_cast<double>(offsets.rows[static_cast<std::size_t>(y)]);
      wanted += truth[static_cast<std::size_t>(y)];
    }
    // Sum of 21 rows: errors of 0.6 each, and the trend of the cell.
    CHECK(std::fabs(taken - wanted) < 4.0 * 0.6 * std::sqrt(21.0));
  }
}

TEST_CASE("columns too, and under a flat in units of the raw frame", "[line_noise]") {
  auto image = frame(0.0, 1.5, false, nullptr);
  for (int y = 0; y < height; ++y) {
    for (float& v : image.row(y)) v *= 2.0F;
  }
  const Mask mask(width, height);
  const auto offsets = measure_line_noise(
      image.view(), mask.view(), CfaPattern::none, [](double, double) { return 2.0; }, Threads{2});
  CHECK(offsets.rows.empty());
  REQUIRE(offsets.columns.size() == static_cast<std::size_t>(width));
  CHECK(offsets.column_noise.before_adu == test_frames::Near(1.5).epsilon(0.15));
  // Taking them out of a part of the frame leaves what taking them out of all would.
  Grid<float> part(40, 30);
  const Rect rect{300, 200, 340, 230};
  subtract_line_offsets(part.view(), rect, offsets, {}, 2.0F);
  CHECK(part(7, 3) == -(0.0F + offsets.columns[307]) * 2.0F);
}

TEST_CASE("where there is no line noise nothing is taken out", "[line_noise]") {
  for (const bool mosaic : {false, true}) {
    const auto image = frame(0.0, 0.0, mosaic, nullptr);
    const Mask mask(width, height);
    const auto offsets = measure_line_noise(
        image.view(), mask.view(), mosaic ? CfaPattern::gbrg : CfaPattern::none, one, Threads{2});
    CHECK(offsets.empty());
    CHECK(offsets.row_noise.measured);
    CHECK(offsets.row_noise.before_adu < 0.35);  // 0.4 is the error of one row's offset
  }
  const Grid<float> small(300, 200);
  const Mask none(300, 200);
  CHECK(!measure_line_noise(small.view(), none.view(), CfaPattern::none, one, Threads{1})
             .row_noise.measured);
}
