#include <cmath>
#include <limits>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/sensor/line_separation.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::Near;

namespace {

struct Bands {
  Grid<float> value[3], sd[3], line[2], line_sd[2];
  explicit Bands(Size size) {
    for (auto* group : {value, sd}) {
      for (int c = 0; c < 3; ++c) group[c] = Grid<float>(size);
    }
    for (auto* group : {line, line_sd}) {
      for (int c = 0; c < 2; ++c) group[c] = Grid<float>(size);
    }
  }
  [[nodiscard]] LineBand view() {
    LineBand band;
    for (int c = 0; c < 3; ++c) {
      band.value[c] = value[c].cview();
      band.sd[c] = sd[c].cview();
    }
    for (int c = 0; c < 2; ++c) {
      band.line[c] = line[c].view();
      band.line_sd[c] = line_sd[c].view();
    }
    return band;
  }
};

}  // namespace

TEST_CASE("lines come back from their mixture, with the scatter that is stated", "[lines]") {
  const Size size{200, 100};
  Bands bands(size);
  const Crosstalk crosstalk{{{{0.9, 0.05}, {0.15, 0.8}, {0.04, 0.55}}}};
  const double sd[3] = {7.0, 4.0, 9.0};
  RandomStream random(5, 1, 0);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double truth[2] = {300.0 + x, 500.0 - 2.0 * y};
      for (std::size_t c = 0; c < 3; ++c) {
        const auto& row = crosstalk.response[c];
        bands.value[c](x, y) =
            static_cast<float>(row[0] * truth[0] + row[1] * truth[1] + sd[c] * random.normal());
        bands.sd[c](x, y) = static_cast<float>(sd[c]);
      }
    }
  }
  separate_lines(bands.view(), crosstalk);
  double sum[2] = {}, squares[2] = {}, product = 0.0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const double truth[2] = {300.0 + x, 500.0 - 2.0 * y};
      double pull[2];
      for (int k = 0; k < 2; ++k) {
        pull[k] = (static_cast<double>(bands.line[k](x, y)) - truth[k]) /
                  static_cast<double>(bands.line_sd[k](x, y));
        sum[k] += pull[k];
        squares[k] += pull[k] * pull[k];
      }
      product += pull[0] * pull[1];
    }
  }
  constexpr double n = 20000.0;
  for (int k = 0; k < 2; ++k) {
    CHECK(std::abs(sum[k] / n) < 4.0 / std::sqrt(n));
    CHECK(std::sqrt(squares[k] / n) == Near(1.0).epsilon(0.02));  // standard error 0.5%
  }
  CHECK(product / n == Near(line_correlation(crosstalk, {7.0, 4.0, 9.0})).margin(0.03));
}

TEST_CASE("colours that see one line each are that line", "[lines]") {
  Bands bands({1, 1});
  const Crosstalk apart{{{{1.0, 0.0}, {0.0, 2.0}, {0.0, 0.0}}}};
  CHECK(apart.condition() == Near(1.0));
  const float values[3] = {5.0F, 8.0F, 100.0F};
  for (int c = 0; c < 3; ++c) {
    bands.value[c](0, 0) = values[c];
    bands.sd[c](0, 0) = 2.0F;
  }
  separate_lines(bands.view(), apart);
  CHECK(bands.line[0](0, 0) == 5.0F);
  CHECK(bands.line[1](0, 0) == 4.0F);
  CHECK(bands.line_sd[0](0, 0) == 2.0F);
  CHECK(bands.line_sd[1](0, 0) == 1.0F);
}

TEST_CASE("missing colours and hopeless matrices", "[lines]") {
  Bands bands({2, 1});
  constexpr float none = std::numeric_limits<float>::quiet_NaN();
  const auto usual = Crosstalk::usual();
  CHECK(usual.faults().empty());
  for (int x = 0; x < 2; ++x) {
    for (std::size_t c = 0; c < 3; ++c) {
      bands.value[c](x, 0) =
          static_cast<float>(100.0 * usual.response[c][0] + 40.0 * usual.response[c][1]);
      bands.sd[c](x, 0) = 1.0F;
    }
  }
  bands.value[2](0, 0) = none;  // two colours are enough
  bands.value[0](1, 0) = none;  // one is not
  bands.value[1](1, 0) = none;
  separate_lines(bands.view(), usual);
  CHECK(static_cast<double>(bands.line[0](0, 0)) == Near(100.0).epsilon(1e-5));
  CHECK(static_cast<double>(bands.line[1](0, 0)) == Near(40.0).epsilon(1e-5));
  CHECK(std::isnan(bands.line[0](1, 0)));
  CHECK(std::isnan(bands.line_sd[1](1, 0)));
  CHECK(Crosstalk{{{{1.0, 0.9}, {1.0, 0.92}, {1.0, 0.91}}}}.faults().size() == 1);
  CHECK(Crosstalk{{{{1.0, 0.0}, {0.5, 0.0}, {0.2, 0.0}}}}.faults().size() == 1);
  CHECK(Crosstalk{{{{1.0, -0.1}, {0.5, 1.0}, {0.2, 0.0}}}}.faults().size() == 1);
}
