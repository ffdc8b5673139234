#include "coldframe/sensor/defects.hpp"

#include <cmath>
#include <set>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;

namespace {

/// Master dark of 20 frames of noise 10 ADU, with glow in a corner and a few ADU of column pattern.
Grid<float> clean_dark(Size size, std::uint64_t seed) {
  Grid<float> dark(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(seed, 1, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      const double glow = 300.0 * std::exp(-0.004 * (x + y));
      dark(x, y) = static_cast<float>(500.0 + glow + 2.0 * std::sin(0.9 * x) +
                                      10.0 / std::sqrt(20.0) * random.normal());
    }
  }
  return dark;
}

constexpr double frame_noise = 10.0;

int count_marked(const Mask& mask) {
  int count = 0;
  for (int y = 0; y < mask.height(); ++y) {
    for (const auto bits : mask.row(y)) count += bits != 0 ? 1 : 0;
  }
  return count;
}

}  // namespace

TEST_CASE("hot and cold pixels are found and few others", "[defects]") {
  // Issue 3: at least 99% of injected defects above 5 sigma, at most 0.01% false. Deviations
  // from 6 sigma up, so that the master's own noise (0.22 sigma) does not decide.
  const Size size{500, 400};
  for (const auto cfa : {CfaPattern::none, CfaPattern::rggb, CfaPattern::grbg}) {
    auto dark = clean_dark(size, 1);
    std::set<std::pair<int, int>> injected;
    RandomStream random(3, 2, 0);
    while (injected.size() < 1000) {
      const int x = static_cast<int>(random.uniform() * size.width);
      const int y = static_cast<int>(random.uniform() * size.height);
      if (!injected.insert({x, y}).second) continue;
      const double deviation = frame_noise * (6.0 + 60.0 * random.uniform());
      dark(x, y) += static_cast<float>(injected.size() % 5 == 0 ? -deviation : deviation);
    }
    // Clusters of 2 x 2, as a bad spot leaves them.
    for (int k = 0; k < 20; ++k) {
      for (int c = 0; c < 4; ++c) {
        const int x = 20 + 23 * k + c % 2;
        const int y = 200 + c / 2;
        injected.insert({x, y});
        dark(x, y) = 2000.0F;
      }
    }
    // 3 x 3 and 5 x 5: most members see a median of their like.
    for (int k = 0; k < 12; ++k) {
      const int side = k % 2 == 0 ? 3 : 5;
      for (int c = 0; c < side * side; ++c) {
        const int x = 25 + 37 * k + c % side;
        const int y = 60 + 11 * k + c / side;
        injected.insert({x, y});
        dark(x, y) = 900.0F + 10.0F * static_cast<float>(c);
      }
    }
    Mask mask(size);
    const auto report =
        find_defects(dark.view(), {}, {}, frame_noise, cfa, {}, mask.view(), Threads{2});
    std::size_t found = 0;
    for (const auto& [x, y] : injected) found += mask(x, y) != 0 ? 1U : 0U;
    INFO("found " << found << " of " << injected.size() << ", marked " << count_marked(mask));
    CHECK(static_cast<double>(found) >= 0.99 * static_cast<double>(injected.size()));
    CHECK(static_cast<std::size_t>(count_marked(mask)) - found <= 20);  // 0.01% of 200,000
    CHECK(report.hot + report.cold + report.clustered == count_marked(mask));
    CHECK(report.cold >= 180);
    CHECK(report.columns == 0);
    CHECK(report.rows == 0);

    Mask other(size);
    for (const int threads : {1, 3, 8}) {
      other.fill(0);
      (void)find_defects(dark.view(), {}, {}, frame_noise, cfa, {}, other.view(), Threads{threads});
      CHECK(std::equal(mask.row(0).begin(), mask.row(0).end(), other.row(0).begin()));
      CHECK(count_marked(mask) == count_marked(other));
    }
  }
}

TEST_CASE("columns, part columns and rows are found", "[defects]") {
  const Size size{400, 512};
  auto dark = clean_dark(size, 5);
  for (int y = 0; y < size.height; ++y) dark(100, y) += 30.0F;    // 3 sigma of a frame
  for (int y = 256; y < size.height; ++y) dark(301, y) += 40.0F;  // from the middle up
  for (int x = 0; x < size.width; ++x) dark(x, 77) -= 25.0F;
  Mask mask(size);
  const auto report =
      find_defects(dark.view(), {}, {}, frame_noise, CfaPattern::none, {}, mask.view(), Threads{2});
  CHECK(report.columns == 2);
  CHECK(report.rows == 1);
  for (int y = 0; y < size.height; ++y) {
    CHECK(mask(100, y) != 0);
    if (y != 77) CHECK((mask(301, y) != 0) == (y >= 256));
  }
  CHECK(mask(50, 77) != 0);
  CHECK(mask(200, 200) == 0);
}

TEST_CASE("dead and bright pixels of a flat, and what is no number", "[defects]") {
  const Size size{120, 100};
  Grid<float> flat(size);
  RandomStream random(8, 1, 0);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double r2 = (x - 60.0) * (x - 60.0) + (y - 50.0) * (y - 50.0);
      flat(x, y) = static_cast<float>((1.0 - 0.9 * r2 / 6100.0) * (1.0 + 0.01 * random.normal()));
    }
  }
  flat(30, 30) *= 0.4F;
  flat(31, 60) *= 1.7F;
  flat(80, 20) = 0.0F;
  flat(81, 40) = -1.0F;
  flat(90, 90) = std::numeric_limits<float>::quiet_NaN();
  Mask mask(size);
  const auto report =
      find_defects({}, {}, flat.view(), 0.0, CfaPattern::none, {}, mask.view(), Threads{1});
  CHECK(report.flat == 5);
  CHECK(count_marked(mask) == 5);  // the dark corners (10% of the light) are no defects
  CHECK(mask(80, 20) == mask_bit::defect);

  Grid<float> small(Size{4, 4});
  CHECK_THROWS_AS(
      find_defects(small.view(), {}, {}, 1.0, CfaPattern::none, {}, mask.view(), Threads{1}),
      Error);
}

TEST_CASE("defects from 5 sigma up, as a master of ten frames shows them", "[defects]") {
  // Uniform between 5 and 6 sigma of a frame; the master's own noise is 0.32 sigma.
  const Size size{512, 512};
  Grid<float> dark(size), variance(size, 10.0F);
  Mask injected(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(91, 1, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      dark(x, y) = static_cast<float>(300.0 + std::sqrt(10.0) * random.normal());
      if (random.uniform() >= 0.004) continue;
      injected(x, y) = 1;
      dark(x, y) += static_cast<float>(10.0 * (5.0 + random.uniform()));
    }
  }
  Mask mask(size);
  (void)find_defects(dark.view(), variance.view(), {}, 10.0, CfaPattern::none, {}, mask.view(),
                     Threads{2});
  int wanted = 0, found = 0, wrong = 0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      wanted += injected(x, y) != 0 ? 1 : 0;
      found += injected(x, y) != 0 && mask(x, y) != 0 ? 1 : 0;
      wrong += injected(x, y) == 0 && mask(x, y) != 0 ? 1 : 0;
    }
  }
  INFO("found " << found << " of " << wanted << ", wrong " << wrong);
  CHECK(found >= 0.99 * wanted);
  CHECK(wrong <= 26);  // 0.01%
}

TEST_CASE("glow is no defect, telegraph noise is", "[defects]") {
  const Size size{256, 256};
  Grid<float> dark(size), variance(size);
  int jumping = 0;
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(92, 1, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      // Photon noise of a glow of 3000 ADU in the corner beside read noise of 5 ADU; 20 frames.
      const double glow = 3000.0 * std::exp(-0.5 * (x * x + y * y) / 3600.0);
      const double frame = 25.0 + glow;
      dark(x, y) = static_cast<float>(500.0 + glow + std::sqrt(frame / 20.0) * random.normal());
      variance(x, y) = static_cast<float>(frame / 20.0);
      if (x > 150 && y > 150 && (x * 7 + y) % 97 == 0) {
        // Two levels 5 sigma apart, equally often: variance 1 + 25/4 times the usual.
        variance(x, y) *= 7.25F;
        ++jumping;
      }
    }
  }
  Mask mask(size);
  const auto report = find_defects(dark.view(), variance.view(), {}, 5.0, CfaPattern::none, {},
                                   mask.view(), Threads{2});
  INFO("hot " << report.hot << " cold " << report.cold << " clustered " << report.clustered
              << " columns " << report.columns << " rows " << report.rows);
  CHECK(report.unstable == jumping);
  CHECK(count_marked(mask) - jumping <= 6);  // 0.01%
}

TEST_CASE("a fixed pattern above the frame's noise makes no defects of most pixels", "[defects]") {
  // Warm sensors, and those read out with steps wider than their noise: every pixel has its own
  // zero, which the dark takes out. Gaussian pattern of 4 frame noises: beyond 5 sigma lie 6e-7,
  // and the local median's own scatter widens the deviations by less than 20%.
  const Size size{400, 300};
  const double pattern = 4.0 * frame_noise;
  Grid<float> dark(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(19, 4, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      dark(x, y) = static_cast<float>(500.0 + pattern * random.normal());
    }
  }
  int injected = 0;
  for (int y = 5; y < size.height; y += 20) {
    for (int x = 7; x < size.width; x += 20, ++injected) {
      dark(x, y) = static_cast<float>(500.0 + 10.0 * pattern);
    }
  }
  Mask mask(size.width, size.height);
  static_cast<void>(find_defects(dark.view(), {}, {}, frame_noise, CfaPattern::none,
                                 DefectOptions{}, mask.view(), Threads{1}));
  int found = 0;
  for (int y = 5; y < size.height; y += 20) {
    for (int x = 7; x < size.width; x += 20) found += mask(x, y) != 0 ? 1 : 0;
  }
  CHECK(found == injected);
  CHECK(count_marked(mask) - found <= size.width * size.height / 1000);
}

TEST_CASE("defects of the flat against its own scatter", "[defects]") {
  const Size size{512, 400};
  for (const auto cfa : {CfaPattern::none, CfaPattern::gbrg}) {
    Grid<float> flat(size);
    std::set<std::pair<int, int>> injected;
    for (int y = 0; y < size.height; ++y) {
      RandomStream random(93, 1, static_cast<std::uint64_t>(y));
      for (int x = 0; x < size.width; ++x) {
        const double r2 = (x - 256.0) * (x - 256.0) + (y - 200.0) * (y - 200.0);
        // A grain of dust with sharp edges is no defect: the flat corrects it.
        const double grain = std::hypot(x - 300.0, y - 100.0) < 15.0 ? 0.9 : 1.0;
        flat(x, y) = static_cast<float>(grain * (1.0 - 0.4 * r2 / 105000.0) *
                                        (1.0 + 0.008 * random.normal()));
        if (random.uniform() < 0.002) {
          flat(x, y) *= static_cast<float>(random.uniform() < 0.8 ? 0.2 + 0.65 * random.uniform()
                                                                  : 1.2 + random.uniform());
          injected.insert({x, y});
        }
      }
    }
    for (int y = 0; y < size.height; ++y) {
      for (const int x : {200, 201}) {  // two dim columns side by side
        flat(x, y) *= 0.8F;
        injected.insert({x, y});
      }
    }
    Mask mask(size);
    const auto report = find_defects({}, {}, flat.view(), 0.0, cfa, {}, mask.view(), Threads{2});
    std::size_t found = 0;
    for (const auto& [x, y] : injected) found += mask(x, y) != 0 ? 1U : 0U;
    INFO("found " << found << " of " << injected.size() << ", marked " << count_marked(mask));
    CHECK(static_cast<double>(found) >= 0.99 * static_cast<double>(injected.size()));
    CHECK(static_cast<std::size_t>(count_marked(mask)) - found <= 20);
    CHECK(report.columns == 2);
    CHECK(report.rows == 0);
  }
}
