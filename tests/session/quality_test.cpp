// Decisions and hints on measured rows with known causes, many seeds. Rows are drawn here, not by
// the simulator: widths scatter by 4%, transparency by 2%, shapes by 0.01 per component.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "session/hints.hpp"
#include "session/judge.hpp"

namespace coldframe::session {
namespace {

using Change = std::function<void(SubRecord&, double phase, RandomStream&)>;

std::vector<SubRecord> night(std::uint64_t seed, int count, const Change& change) {
  std::vector<SubRecord> rows;
  RandomStream random(seed, 11, 0);
  for (int i = 0; i < count; ++i) {
    SubRecord r;
    const double phase = count > 1 ? static_cast<double>(i) / (count - 1) : 0.0;
    r.path = fmt::format("lights/{:03}.fits", i);
    r.night = "2031-03-14";
    r.start = fmt::format("2031-03-14T{:02}:{:02}:00", 18 + i / 20, 3 * (i % 20));
    r.kept = true;
    r.stars = 300;
    r.exposure_s = 150.0;
    r.fwhm_px = 3.0 * (1.0 + 0.04 * random.normal());
    const double e1 = 0.01 * random.normal();
    const double e2 = 0.01 * random.normal();
    r.ellipticity = std::hypot(e1, e2);
    r.position_angle_deg = std::fmod(0.5 * std::atan2(e2, e1) * 57.29578 + 180.0, 180.0);
    r.transparency = 1.0 - 0.02 * std::fabs(random.normal());
    r.transparency_error = 0.004;
    r.sky_per_s = 5.0 * (1.0 + 0.02 * random.normal());
    r.gradient_x = 0.10 + 0.005 * random.normal();
    r.gradient_y = -0.04 + 0.005 * random.normal();
    r.focus_temperature_c = 12.0 - 6.0 * phase;
    Transform t;
    t.matrix[2] = 12.0 * (2.0 * random.uniform() - 1.0);
    t.matrix[5] = 12.0 * (2.0 * random.uniform() - 1.0);
    if (2 * i >= count) {  // the mount flips half-way
      t.matrix[0] = t.matrix[4] = -1.0;
      t.matrix[2] += 1500.0;
      t.matrix[5] += 1000.0;
    }
    r.transform = t;
    auto& f = r.field;
    f.stars = 150;
    f.centre_fwhm_px = *r.fwhm_px;
    const double tx = 0.05 * random.normal();
    const double ty = 0.05 * random.normal();
    f.tilt_px = {std::hypot(tx, ty), 0.05};
    f.tilt_direction_deg = std::atan2(ty, tx) * 57.29578;
    f.curvature_px = {0.05 * random.normal(), 0.05};
    f.corner_elongation = {0.02 * random.normal(), 0.02};
    if (change) change(r, phase, random);
    rows.push_back(r);
  }
  return rows;
}

void draw_out(SubRecord& r, double length, double angle_deg) {
  const double own = 2.0 * *r.position_angle_deg / 57.29578;
  const double added = 2.0 * angle_deg / 57.29578;
  const double x = *r.ellipticity * std::cos(own) + length * std::cos(added);
  const double y = *r.ellipticity * std::sin(own) + length * std::sin(added);
  r.ellipticity = std::hypot(x, y);
  r.position_angle_deg = std::fmod(0.5 * std::atan2(y, x) * 57.29578 + 180.0, 180.0);
}

struct Cause {
  const char* code;
  Change change;
};

std::vector<Cause> causes() {
  return {
      {"focus-drift", [](SubRecord& r, double p, RandomStream&) { *r.fwhm_px *= 1.0 + 0.35 * p; }},
      {"focus-drift", [](SubRecord& r, double p,
                         RandomStream&) { *r.fwhm_px *= 1.0 + 1.6 * (p - 0.4) * (p - 0.4); }},
      {"out-of-focus",
       [](SubRecord& r, double p, RandomStream&) { *r.fwhm_px *= p > 0.4 && p < 0.6 ? 4.0 : 1.0; }},
      {"tracking",
       [](SubRecord& r, double, RandomStream& random) {
         draw_out(r, 0.15 + 0.05 * random.uniform(), 31.0 + 3.0 * random.normal());
       }},
      {"wind",
       [](SubRecord& r, double, RandomStream& random) {
         draw_out(r, 0.15 * std::fabs(random.normal()), 180.0 * random.uniform());
       }},
      {"tilt",
       [](SubRecord& r, double, RandomStream& random) {
         r.field.tilt_px = {0.6 + 0.05 * random.normal(), 0.05};
         r.field.tilt_direction_deg = 200.0 + 4.0 * random.normal();
       }},
      {"curvature", [](SubRecord& r, double, RandomStream&) { r.field.curvature_px.value += 0.8; }},
      {"astigmatism",
       [](SubRecord& r, double, RandomStream&) { r.field.corner_elongation.value -= 0.25; }},
      {"thin-cloud",
       [](SubRecord& r, double p, RandomStream&) {
         *r.transparency *= 1.0 - 0.35 * std::exp(-std::pow((p - 0.6) / 0.12, 2));
       }},
      {"dew",
       [](SubRecord& r, double p, RandomStream&) {
         *r.transparency *= 1.0 - 0.35 * p;
         *r.fwhm_px *= 1.0 + 0.18 * p;
       }},
      {"gradient",
       [](SubRecord& r, double p, RandomStream&) {
         *r.gradient_x -= 0.2 * p;
         *r.gradient_y += 0.1 * p;
       }},
      {"sky-brightening", [](SubRecord& r, double p, RandomStream&) { *r.sky_per_s *= 1.0 + p; }},
      {"no-dither",
       [](SubRecord& r, double, RandomStream& random) {
         const bool flipped = r.transform->matrix[0] < 0.0;
         r.transform->matrix[2] = (flipped ? 1500.0 : 0.0) + 0.2 * random.normal();
         r.transform->matrix[5] = (flipped ? 1000.0 : 0.0) + 0.2 * random.normal();
       }},
      {"field-rotation",
       [](SubRecord& r, double p, RandomStream&) {
         const double sign = r.transform->matrix[0] < 0.0 ? -1.0 : 1.0;
         const double turn = 1.5 * p / 57.29578;
         auto& m = r.transform->matrix;
         m[0] = m[4] = sign * std::cos(turn);
         m[3] = sign * std::sin(turn);
         m[1] = -m[3];
       }},
      {"jumps",
       [](SubRecord& r, double p, RandomStream&) {
         if (p > 0.45 && p < 0.55) r.rule = "double-images";
       }},
  };
}

std::vector<SubFigures> sound(std::size_t count, std::uint64_t seed) {
  RandomStream random(seed, 12, 0);
  std::vector<SubFigures> subs(count);
  for (auto& f : subs) {
    f.usable = f.has_sky = f.matched = true;
    f.stars = f.fitted = 100;
    f.fwhm_px = 3.0 * (1.0 + 0.05 * random.normal());
    f.fwhm_error_px = 0.02;
    f.arcsec_per_px = 1.2;
    f.ellipticity = 0.03 + 0.01 * std::fabs(random.normal());
    f.ellipticity_error = 0.003;
    f.transparency = 1.0 - 0.03 * std::fabs(random.normal());
    f.transparency_error = 0.005;
    f.noise = 20.0 / f.transparency;
    f.exposure_s = 120.0;
  }
  return subs;
}

std::size_t kept(const std::vector<Decision>& decisions) {
  std::size_t count = 0;
  for (const auto& d : decisions) count += d.kept ? 1 : 0;
  return count;
}

}  // namespace

TEST_CASE("Clean nights give no hint") {
  for (std::uint64_t seed = 1; seed <= 60; ++seed) {
    for (const int count : {3, 5, 12, 40}) {
      const auto rows = night(seed, count, {});
      const auto hints = find_hints(rows);
      INFO("seed " << seed << ", " << count << " subs: "
                   << (hints.empty() ? "" : hints.front().code + ": " + hints.front().message));
      CHECK(hints.empty());
    }
  }
}

TEST_CASE("An injected cause is the first hint") {
  for (const auto& cause : causes()) {
    int first = 0;
    for (std::uint64_t seed = 101; seed <= 120; ++seed) {
      const auto hints = find_hints(night(seed, 40, cause.change));
      if (!hints.empty() && hints.front().code == cause.code) ++first;
      if (!hints.empty()) CHECK(hints.front().evidence.size() >= 1);
    }
    INFO(cause.code);
    CHECK(first >= 19);
  }
}

TEST_CASE("Two set-ups in one result are judged apart") {
  // The second telescope takes over in the course of the night, with wider and longer stars: read
  // as one series that is a focus drift and a change of shape.
  for (std::uint64_t seed = 1; seed <= 10; ++seed) {
    auto rows = night(seed, 40, {});
    for (std::size_t i = 20; i < rows.size(); ++i) {
      auto& row = rows[i];
      row.set_up = 1;
      if (row.fwhm_px) *row.fwhm_px *= 1.7;
      if (row.ellipticity) *row.ellipticity += 0.04;
    }
    const auto hints = find_hints(rows);
    INFO("seed " << seed << ": "
                 << (hints.empty() ? "" : hints.front().code + ": " + hints.front().message));
    CHECK(hints.empty());
    for (auto& row : rows) row.set_up = 0;
    CHECK_FALSE(find_hints(rows).empty());  // what the sorting is for
  }
}

TEST_CASE("A clear night low in the sky is not taken for cloud") {
  // At airmass 1.8 the air takes 14 % more than in the zenith, of every sub alike.
  const auto hints = find_hints(night(5, 20, [](SubRecord& r, double, RandomStream&) {
    r.airmass = 1.8;
    r.altitude_deg = 33.6;
  }));
  CHECK(std::none_of(hints.begin(), hints.end(),
                     [](const HintRecord& hint) { return hint.code == "thin-cloud"; }));
}

TEST_CASE("Right ascension is named when a solution tells where east is") {
  for (const double east : {31.0, 211.0, 121.0}) {
    const auto hints = find_hints(night(3, 20, [&](SubRecord& r, double, RandomStream&) {
      draw_out(r, 0.2, 31.0);
      r.east_deg = east;
    }));
    REQUIRE_FALSE(hints.empty());
    CHECK(hints.front().code == "tracking");
    const bool named = hints.front().message.find("along right ascension") != std::string::npos;
    CHECK(named == (east != 121.0));
  }
}

TEST_CASE("Sound subs stay whatever their number; one spoiled goes with rule, number and limit") {
  for (std::uint64_t seed = 1; seed <= 40; ++seed) {
    for (const std::size_t count : {1U, 2U, 3U, 4U, 6U, 10U, 60U}) {
      CHECK(kept(judge_subs(sound(count, seed), {})) == count);
    }
    for (const std::size_t count : {6U, 10U, 60U}) {
      auto subs = sound(count, seed);
      subs[0].ellipticity = 0.20;  // 3 px of smear on stars of 3 px
      subs[1].fwhm_px = 5.6;
      subs[2].transparency = 0.4;
      const auto decisions = judge_subs(subs, {});
      INFO(seed << ' ' << count);
      CHECK(decisions[0].rule == "ellipticity");
      CHECK(decisions[1].rule == "fwhm");
      CHECK(decisions[2].rule == "transparency");
      CHECK(*decisions[2].value < *decisions[2].limit);
      CHECK(kept(decisions) == count - 3);
    }
  }
}

TEST_CASE("A noisy figure does not drop a sub, a certain one does") {
  auto subs = sound(3, 5);
  subs[2].fwhm_px = 5.2;
  subs[2].fwhm_error_px = 1.0;
  CHECK(kept(judge_subs(subs, {})) == 3);
  subs[2].fwhm_px = 5.6;
  subs[2].fwhm_error_px = 0.03;
  CHECK(judge_subs(subs, {})[2].rule == "fwhm");
}

TEST_CASE("Bimodal nights: the better half sets the standard, a hazy night is not thrown away") {
  auto focus = sound(20, 6);
  for (std::size_t i = 0; i < 12; ++i) focus[i].fwhm_px *= 2.2;
  CHECK(kept(judge_subs(focus, {})) == 8);
  // Two of twenty in focus, the rest 3.5 times as wide and beyond any seeing.
  auto lost = sound(20, 7);
  for (std::size_t i = 0; i < 18; ++i) lost[i].fwhm_px *= 3.5;
  CHECK(kept(judge_subs(lost, {})) == 2);
  // The same without a scale: nobody can tell, the night stays.
  for (auto& f : lost) f.arcsec_per_px = 0.0;
  CHECK(kept(judge_subs(lost, {})) >= 18);
  // One clear moment, then haze.
  auto haze = sound(12, 8);
  for (std::size_t i = 1; i < 12; ++i) {
    haze[i].transparency *= 0.45;
    haze[i].noise /= 0.45;
  }
  CHECK(kept(judge_subs(haze, {})) == 12);
}

TEST_CASE("Dawn adds too little and goes; short exposures for the bright stars stay") {
  auto subs = sound(24, 9);
  subs[22].noise *= 2.5;
  subs[23].noise *= 6.0;
  auto decisions = judge_subs(subs, {});
  CHECK(decisions[22].kept);
  CHECK(decisions[23].rule == "contribution");
  CHECK(*decisions[23].value < 0.1);
  for (std::size_t i = 12; i < 24; ++i) {
    subs[i].exposure_s = 10.0;
    subs[i].noise = 150.0;
  }
  decisions = judge_subs(subs, {});
  CHECK(kept(decisions) == 24);
  KeepLimits owner;
  owner.min_contribution = 0.9;
  CHECK(kept(judge_subs(subs, owner)) < 24);
}

TEST_CASE(
    "Net gains: equal subs share evenly, a wide one stops helping at sqrt(3) times the width") {
  // Analytic for Gaussian stars: N equal subs, gain 1/(N-1); in the limit of many equal others a
  // sub of width x adds in proportion to 4/(x^2+1) - 1, zero at x = sqrt(3).
  const std::vector<double> noise(10, 2.0);
  std::vector<double> fwhm(10, 3.0);
  for (const double gain : net_gains(noise, fwhm)) CHECK(gain == Approx(1.0 / 9.0));
  const std::vector<double> many(400, 2.0);
  std::vector<double> widths(400, 3.0);
  widths[0] = 3.0 * std::sqrt(3.0);
  const auto gains = net_gains(many, widths);
  CHECK(std::fabs(gains[0] / gains[1]) < 0.01);
  widths[0] = 3.0 * 1.62;
  const auto less = net_gains(many, widths);
  CHECK(less[0] / less[1] == Approx(4.0 / (1.62 * 1.62 + 1.0) - 1.0).margin(0.01));
}

}  // namespace coldframe::session
