#include "coldframe/sensor/bleeding.hpp"

#include <algorithm>
#include <cmath>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::sensor;

namespace {

constexpr float full_well = 60000.0F;

struct Frame {
  Grid<float> values{80, 80};
  Mask mask{80, 80};
};

// A star far beyond saturation at (40, 40); its charge fills wells of the column up to `top`, the
// next one (top - 1 and, below, bottom + 1) by a share.
Frame make(double fwhm, double peak, int top, int bottom, float share) {
  Frame frame;
  RandomStream random(81, 1, 0);
  const double sigma = fwhm / 2.354820045;
  for (int y = 0; y < 80; ++y) {
    for (int x = 0; x < 80; ++x) {
      const double r2 = (x - 40.0) * (x - 40.0) + (y - 40.0) * (y - 40.0);
      auto value = static_cast<float>(900.0 + 30.0 * random.normal() +
                                      peak * std::exp(-0.5 * r2 / (sigma * sigma)));
      if (x == 40 && y >= top && y <= bottom) value = full_well;
      if (x == 40 && (y == top - 1 || y == bottom + 1)) value += share * full_well;
      frame.values(x, y) = std::min(value, full_well);
      if (value >= full_well) frame.mask(x, y) = mask_bit::saturated;
    }
  }
  return frame;
}

}  // namespace

TEST_CASE("the ends of a bleeding column are marked, what lies beyond is not", "[defects]") {
  for (const auto cfa : {CfaPattern::none, CfaPattern::rggb}) {
    for (const float share : {0.15F, 0.5F, 0.95F}) {
      auto frame = make(3.0, 4e5, 15, 62, share);
      const Mask before = frame.mask.clone();
      mark_bleed_ends(frame.values.cview(), cfa, 6000.0F, frame.mask.view());
      for (int y = 0; y < 80; ++y) {
        for (int x = 0; x < 80; ++x) {
          const bool end = x == 40 && (y == 14 || y == 63);
          INFO(x << ' ' << y << " share " << share);
          CHECK(frame.mask(x, y) == (end ? mask_bit::saturated : before(x, y)));
        }
      }
    }
  }
}

TEST_CASE("the flanks of a saturated star are no bleeding", "[defects]") {
  for (const double fwhm : {2.2, 3.0, 5.0}) {
    for (const double peak : {7e4, 2e5, 1e6}) {
      auto frame = make(fwhm, peak, 100, -100, 0.0F);
      const Mask before = frame.mask.clone();
      mark_bleed_ends(frame.values.cview(), CfaPattern::none, 6000.0F, frame.mask.view());
      int changed = 0;
      for (int y = 0; y < 80; ++y) {
        for (int x = 0; x < 80; ++x) changed += frame.mask(x, y) != before(x, y) ? 1 : 0;
      }
      INFO("FWHM " << fwhm << " peak " << peak);
      CHECK(changed == 0);
    }
  }
}
