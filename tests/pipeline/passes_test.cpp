#include <cmath>
#include <cstring>
#include <functional>
#include <memory>
#include <string>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/pipeline/combine_pass.hpp"
#include "coldframe/pipeline/memory_plan.hpp"
#include "coldframe/pipeline/trail_search.hpp"
#include "frames.hpp"

namespace coldframe::pipeline {
namespace {

using test::flat_mesh;
using test::MemorySource;
using test::noisy_frame;

// A small session of turned, shifted and flipped noise frames with a few hot pixels.
struct SmallSession {
  static constexpr Size frame{200, 150};
  std::vector<std::shared_ptr<MemorySource>> sources;
  std::vector<std::vector<ChannelSky>> skies;
  Calibration calibration;
  std::vector<CombineSub> subs;

  explicit SmallSession(std::size_t count, CfaPattern cfa = CfaPattern::none) {
    calibration.cfa = cfa;
    calibration.defects = Mask(frame);
    calibration.defects(50, 60) = mask_bit::defect;
    calibration.unit = PixelUnit::electron;
    calibration.gain_e_per_adu = 1.0;
    const int planes = cfa == CfaPattern::none ? 1 : 3;
    skies.reserve(count);
    for (std::size_t i = 0; i < count; ++i) {
      auto pixels = noisy_frame(frame, static_cast<unsigned>(i + 1), 400.0, 20.0);
      pixels(20 + static_cast<int>(3 * i), 40) = 30000.0F;
      sources.push_back(std::make_shared<MemorySource>(std::move(pixels)));
      std::vector<ChannelSky> sky;
      for (int p = 0; p < planes; ++p) sky.push_back({flat_mesh(frame, 400.0F, 20.0F), 1, 0, 0});
      skies.push_back(std::move(sky));
    }
    for (std::size_t i = 0; i < count; ++i) {
      CombineSub sub;
      sub.open = [source = sources[i]] { return source; };
      sub.calibration = &calibration;
      const double angle = i % 3 == 2 ? 3.14159265358979 : 0.02 * static_cast<double>(i);
      const double c = std::cos(angle);
      const double s = std::sin(angle);
      const double shift = i % 3 == 2 ? 1.0 : 0.0;
      sub.transform =
          Transform::affine(c, -s, 3.3 * static_cast<double>(i) + shift * (frame.width - 1), s, c,
                            -2.1 * static_cast<double>(i) + shift * (frame.height - 1));
      sub.scale = 1.0 + 0.05 * static_cast<double>(i);
      sub.weights.assign(static_cast<std::size_t>(planes), 1.0 / static_cast<double>(count));
      sub.exposure_s = 60.0;
      sub.sky = &skies[i];
      if (i == 1) sub.trails.push_back({10.0, 20.0, 180.0, 120.0, 6.0, 20.0, 5.0});
      subs.push_back(std::move(sub));
    }
  }
};

using test::Collected;

Collected combine_all(const SmallSession& session, int planes, int strip_rows, int columns,
                      int threads) {
  CombineSettings settings;
  settings.canvas = SmallSession::frame;
  settings.planes = planes;
  settings.sky_level.assign(static_cast<std::size_t>(planes), 400.0);
  MemoryPlan plan;
  plan.strip_rows = strip_rows;
  plan.tile_columns = columns;
  return test::collect(session.subs, settings, plan, Threads{threads});
}

bool same_bits(const Grid<float>& a, const Grid<float>& b) {
  for (int y = 0; y < a.height(); ++y) {
    if (std::memcmp(a.row(y).data(), b.row(y).data(), a.row(y).size() * sizeof(float)) != 0)
      return false;
  }
  return true;
}

TEST_CASE("The combine pass gives the same bits for any threads and any tiles") {
  for (const auto cfa : {CfaPattern::none, CfaPattern::grbg}) {
    const SmallSession session(7, cfa);
    const int planes = cfa == CfaPattern::none ? 1 : 3;
    const auto expected = combine_all(session, planes, 64, 0, 1);
    struct Way {
      int rows, columns, threads;
    };
    for (const Way way :
         {Way{64, 0, 2}, Way{32, 0, 3}, Way{96, 0, 8}, Way{32, 64, 2}, Way{160, 96, 3}}) {
      INFO(to_string(cfa) << " rows " << way.rows << " columns " << way.columns << " threads "
                          << way.threads);
      const auto got = combine_all(session, planes, way.rows, way.columns, way.threads);
      for (std::size_t p = 0; p < got.mean.size(); ++p) {
        CHECK(same_bits(got.mean[p], expected.mean[p]));
        CHECK(same_bits(got.uncertainty[p], expected.uncertainty[p]));
      }
      CHECK(got.totals.clipped == expected.totals.clipped);
    }
  }
}

TEST_CASE("Hot pixels of single subs do not reach the result, and UNCERT tells its noise") {
  const SmallSession session(7);
  const auto got = combine_all(session, 1, 64, 0, 2);
  double sum = 0.0;
  int count = 0;
  for (int y = 40; y < 110; ++y) {
    for (int x = 40; x < 160; ++x) {
      const double level = static_cast<double>(got.mean[0](x, y));
      // Scales run from 1.0 to 1.3 on a sky of 400: the mean lies at 460.
      CHECK(level > 380.0);
      CHECK(level < 560.0);
      const double pull = (level - 460.0) / static_cast<double>(got.uncertainty[0](x, y));
      sum += pull * pull;
      ++count;
    }
  }
  // The subs' skies differ by up to 30 % here on purpose; only the order of size is held.
  CHECK(sum / count > 0.2);
}

TEST_CASE("UNCERT is the scatter of the written pixels, whatever the sub-pixel shift") {
  // One mono session without dithers, one with shifts of half a pixel: independent frames of known
  // noise.
  for (const double shift : {0.0, 0.5, 0.25}) {
    SmallSession session(7);
    for (std::size_t i = 0; i < session.subs.size(); ++i) {
      auto& sub = session.subs[i];
      sub.transform = Transform::affine(1.0, 0.0, shift, 0.0, 1.0, shift);
      sub.scale = 1.0;
      sub.trails.clear();
    }
    const auto got = combine_all(session, 1, 64, 0, 2);
    double sum = 0.0;
    int count = 0;
    for (int y = 50; y < 110; ++y) {
      for (int x = 60; x < 160; ++x) {
        const double pull = (static_cast<double>(got.mean[0](x, y)) - 400.0) /
                            static_cast<double>(got.uncertainty[0](x, y));
        sum += pull * pull;
        ++count;
      }
    }
    INFO("shift " << shift);
    // 6000 pixels, of which neighbours share noise: the scatter is known to about 2%; 3 of these.
    CHECK(std::sqrt(sum / count) == Approx(1.0).epsilon(0.06));
  }
}

TEST_CASE("White noise through Lanczos-3 keeps the published share of its variance") {
  // check-values RES-1: mean over phases 0.7981116984 for a = 3 with normalised weights; four
  // fields of 384 x 384 px hold about 1e5 independent values: 1 %.
  const auto response = noise_response(CfaPattern::none, sensor::Demosaic::bilinear, {});
  CHECK(response.pixel[0] == Approx(0.7981).epsilon(0.01));
  // The kernel's weights sum to 1: large apertures keep all of the variance. 1600
  // apertures: standard error of a variance sqrt(2/1600) = 3.5 %.
  CHECK(response.aperture[0][usual_aperture] == Approx(1.0).epsilon(0.12));
  const auto colour = noise_response(CfaPattern::rggb, sensor::Demosaic::bilinear, {});
  // One sample in four is red, one in two green: a large mean has 4 and 2 times the variance.
  CHECK(colour.aperture[0][usual_aperture] == Approx(4.0).epsilon(0.15));
  CHECK(colour.aperture[1][usual_aperture] == Approx(2.0).epsilon(0.15));
}

TEST_CASE("The memory plan stays below its order and refuses one below the floor") {
  MemoryDemand demand;
  demand.frame = demand.canvas = {6000, 4000};
  demand.subs = 60;
  demand.threads = 2;
  const auto plan = plan_memory(demand, std::size_t{4} << 30U);
  CHECK(plan.expected_bytes <= std::size_t{4} << 30U);
  CHECK(plan.strip_rows % stack::block_px == 0);
  CHECK(plan.measure_workers == 2);
  const auto floor = memory_floor(demand);
  CHECK_NOTHROW(plan_memory(demand, floor));
  CHECK(plan_memory(demand, floor).expected_bytes <= floor);
  try {
    static_cast<void>(plan_memory(demand, floor - 1));
    FAIL("an order below the floor was accepted");
  } catch (const Error& error) {
    CHECK(error.kind() == ErrorKind::usage);
    CHECK(error.mend().find("at least") != std::string::npos);
  }
  // More subs take narrower strips, not more memory.
  demand.subs = 400;
  CHECK(plan_memory(demand, std::size_t{2} << 30U).expected_bytes <= std::size_t{2} << 30U);
}

TEST_CASE("Turned subs get tiles no wider than their slant allows") {
  MemoryDemand demand;
  demand.frame = demand.canvas = {6000, 4000};
  demand.subs = 20;
  demand.rotation_rad = 0.5;
  const auto plan = plan_memory(demand, std::size_t{2} << 30U);
  REQUIRE(plan.tile_columns > 0);
  CHECK(plan.tile_columns * std::sin(0.5) <= std::max(plan.strip_rows, 64) * 1.01);
}

TEST_CASE("Calibrated pixels do not depend on how a frame is divided") {
  const Size size{120, 90};
  auto pixels = noisy_frame(size, 3, 1000.0, 30.0);
  // Bleeding columns whose ends lie about the borders of the bands.
  for (int k = 0; k < 12; ++k) {
    for (int y = 12 + k; y < 29 + k; ++y) pixels(5 + 9 * k, y) = 65535.0F;
    pixels(5 + 9 * k, 11 + k) = 30000.0F;
    pixels(5 + 9 * k, 29 + k) = 30000.0F;
  }
  MemorySource source(std::move(pixels));
  Calibration calibration;
  calibration.subtract = Grid<float>(size, 100.0F);
  calibration.multiply = noisy_frame(size, 5, 1.0, 0.02);
  calibration.defects = Mask(size);
  for (int k = 0; k < 40; ++k)
    calibration.defects((k * 37) % 120, (k * 53) % 90) = mask_bit::defect;
  for (const auto cfa : {CfaPattern::none, CfaPattern::bggr}) {
    calibration.cfa = cfa;
    Grid<float> all(size);
    Mask mask(size);
    read_calibrated(source, calibration, whole(size), all.view(), mask.view());
    for (int k = 0; k < 12; ++k) {
      CHECK((mask(5 + 9 * k, 11 + k) & mask_bit::saturated) != 0);
      CHECK((mask(5 + 9 * k, 29 + k) & mask_bit::saturated) != 0);
      CHECK((mask(5 + 9 * k, 10 + k) & mask_bit::saturated) == 0);
    }
    for (int y0 = 0; y0 < size.height; y0 += 17) {
      const Rect band{0, y0, size.width, std::min(y0 + 17, size.height)};
      Grid<float> part(band.size());
      Mask bits(band.size());
      read_calibrated(source, calibration, band, part.view(), bits.view());
      for (int y = 0; y < band.height(); ++y) {
        for (int x = 0; x < band.width(); ++x) {
          REQUIRE(part(x, y) == all(x, y0 + y));
          REQUIRE(bits(x, y) == mask(x, y0 + y));
        }
      }
    }
  }
}

// Each call gives a copy, as reading from the cache does.
std::vector<PreviewSub> previews_of(std::vector<SubMeasurement>& subs) {
  std::vector<PreviewSub> previews;
  for (auto& sub : subs) {
    previews.push_back({[&sub] {
                          SubMeasurement copy;
                          copy.preview = sub.preview.clone();
                          copy.preview_mask = sub.preview_mask.clone();
                          copy.preview_bin = sub.preview_bin;
                          copy.frame = sub.frame;
                          return copy;
                        },
                        Transform{}});
  }
  return previews;
}

TEST_CASE("A trail in one preview of several is found at its place on the canvas") {
  const Size canvas{1200, 800};
  std::vector<SubMeasurement> subs(6);
  for (std::size_t i = 0; i < subs.size(); ++i) {
    subs[i].preview_bin = 2;
    subs[i].frame = canvas;
    subs[i].preview = noisy_frame({600, 400}, static_cast<unsigned>(i + 20), 0.0, 1.0);
    subs[i].preview_mask = Mask(Size{600, 400});
  }
  // y = 100 + x/4 in preview pixels of sub 3, three pixels wide.
  for (int x = 0; x < 600; ++x) {
    for (int d = -1; d <= 1; ++d) subs[3].preview(x, 100 + x / 4 + d) += 2.5F;
  }
  const auto previews = previews_of(subs);
  const auto trails = search_trails(previews, canvas, {}, Threads{2}, {});
  for (std::size_t i = 0; i < trails.size(); ++i) {
    INFO("sub " << i);
    for (const auto& t : trails[i])
      UNSCOPED_INFO(t.x1 << "," << t.y1 << " " << t.x2 << "," << t.y2 << " " << t.significance
                         << " w " << t.width_px);
    REQUIRE(trails[i].size() == (i == 3 ? 1U : 0U));
  }
  const auto& t = trails[3].front();
  for (const double share : {0.0, 0.5, 1.0}) {
    const double x = t.x1 + share * (t.x2 - t.x1);
    const double y = t.y1 + share * (t.y2 - t.y1);
    CHECK(std::fabs(y - (200.0 + x / 4.0)) < 6.0);
  }
  CHECK(std::fabs(t.x2 - t.x1) > 1000.0);
}

TEST_CASE("What sky and flat leave is no trail, a faint true one beside it is") {
  const Size canvas{600, 400};
  const Size size{600, 400};
  std::vector<SubMeasurement> subs(6);
  for (std::size_t i = 0; i < subs.size(); ++i) {
    subs[i].preview_bin = 1;
    subs[i].frame = canvas;
    subs[i].preview = noisy_frame(size, static_cast<unsigned>(i + 40), 0.0, 1.0);
    subs[i].preview_mask = Mask(size);
  }
  // Sub 1: a steep slope and ripples of the sky. Sub 4: the same with a line of 0.9 noise over 3
  // px.
  for (const std::size_t i : {1U, 4U}) {
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        const double ripples = std::sin(0.075 * x + 0.02 * y) + std::sin(0.09 * y - 0.01 * x);
        subs[i].preview(x, y) += static_cast<float>(0.02 * x + 0.03 * y + 0.5 * ripples);
      }
    }
  }
  for (int x = 0; x < size.width; ++x) {
    for (int d = -1; d <= 1; ++d) subs[4].preview(x, 100 + x / 3 + d) += 0.9F;
  }
  const auto previews = previews_of(subs);
  const auto trails = search_trails(previews, canvas, {}, Threads{2}, {});
  for (std::size_t i = 0; i < trails.size(); ++i) {
    INFO("sub " << i);
    for (const auto& t : trails[i]) {
      UNSCOPED_INFO(t.x1 << "," << t.y1 << " " << t.x2 << "," << t.y2 << " " << t.significance);
    }
    CHECK(trails[i].size() == (i == 4 ? 1U : 0U));
  }
}

}  // namespace
}  // namespace coldframe::pipeline
