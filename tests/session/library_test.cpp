// Ready masters of other sessions: when they are used, and what is said of the choice.
#include <fmt/format.h>

#include <algorithm>

#include "catch.hpp"
#include "coldframe/session/pairing.hpp"
#include "session/pairing_reasons.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

constexpr double day_s = 86400.0;

FrameEntry entry(FrameKind kind, double exposure_s, double temperature_c, double day) {
  FrameEntry e;
  e.info.kind = kind;
  e.info.size = {64, 48};
  e.info.camera = std::string("Invented 1");
  e.info.exposure_s = exposure_s;
  e.info.temperature_c = temperature_c;
  if (kind == FrameKind::light || kind == FrameKind::flat) e.info.filter = std::string("R");
  e.info.start_s = 1.9e9 + day * day_s;
  return e;
}

FrameEntry library(FrameKind kind, double exposure_s, double temperature_c, double day) {
  auto e = entry(kind, exposure_s, temperature_c, day);
  e.library_master = true;
  return e;
}

Inventory stock_of(std::vector<FrameEntry> frames) {
  Inventory stock;
  stock.frames = std::move(frames);
  for (std::size_t k = 0; k < stock.frames.size(); ++k) {
    stock.frames[k].name = fmt::format("f{}.fits", k);
  }
  return stock;
}

bool warned(const Pairing& pairing, const std::string& code) {
  return std::any_of(pairing.warnings.begin(), pairing.warnings.end(),
                     [&](const Warning& w) { return w.code == code; });
}

}  // namespace

TEST_CASE("fresh frames come before old masters unless one frame is all there is",
          "[session][library]") {
  const auto light = entry(FrameKind::light, 120.0, -10.0, 0.0);
  const auto fresh = entry(FrameKind::dark, 120.0, -10.5, 0.0);
  const auto old = library(FrameKind::dark, 120.0, -10.0, -40.0);
  {
    const auto pairing = pair_frames(stock_of({light, fresh, fresh, old}), {});
    REQUIRE(pairing.lights[0].dark);
    CHECK_FALSE(pairing.sets[*pairing.lights[0].dark].from_library);
    REQUIRE(pairing.choices.size() == 1);
    CHECK(pairing.choices[0].others.size() == 1);
  }
  {
    const auto pairing = pair_frames(stock_of({light, fresh, old}), {});
    REQUIRE(pairing.lights[0].dark);
    CHECK(pairing.sets[*pairing.lights[0].dark].from_library);
    CHECK(pairing.choices.at(0).age_days.value() == 40.0);
    CHECK_FALSE(warned(pairing, "old-master"));
  }
  {
    const auto ancient = library(FrameKind::dark, 120.0, -10.0, -400.0);
    CHECK(warned(pair_frames(stock_of({light, ancient}), {}), "old-master"));
  }
}

TEST_CASE("raw frames and ready masters never make one set", "[session][library]") {
  const auto light = entry(FrameKind::light, 120.0, -10.0, 0.0);
  const auto flat = entry(FrameKind::flat, 2.0, -10.0, 0.4);
  const auto pairing =
      pair_frames(stock_of({light, library(FrameKind::flat, 2.0, -10.0, -20.0), flat, flat}), {});
  REQUIRE(pairing.sets.size() == 2);
  REQUIRE(pairing.lights[0].flat);
  CHECK_FALSE(pairing.sets[*pairing.lights[0].flat].from_library);
  // A ready master has its dark out already.
  for (const auto& warning : pairing.warnings) {
    if (warning.code == "flat-without-dark") CHECK(warning.files.size() == 2);
  }
}

TEST_CASE("a mismatch says what differs", "[session][library]") {
  const auto light = entry(FrameKind::light, 120.0, -10.0, 0.0);
  auto dark = entry(FrameKind::dark, 120.0, 5.0, 0.0);
  dark.info.gain_setting = 0.0;
  auto other = light;
  other.info.gain_setting = 100.0;
  const auto off = differences(dark.info, other.info, FrameKind::dark, {});
  CHECK(off ==
        std::vector<std::string>{"gain setting 0 against 100", "temperature 5 C against -10 C"});
  const auto pairing = pair_frames(stock_of({other, dark, dark}), {});
  const auto warning = std::find_if(pairing.warnings.begin(), pairing.warnings.end(),
                                    [](const Warning& w) { return w.code == "dark-mismatch"; });
  REQUIRE(warning != pairing.warnings.end());
  CHECK(warning->message.find("gain setting 0 against 100") != std::string::npos);
}
