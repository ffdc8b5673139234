#include "coldframe/session/pairing.hpp"

#include <cmath>

#include "catch.hpp"
#include "session/name_sense.hpp"

namespace coldframe::session {
namespace {

FrameEntry frame(FrameKind kind, const std::string& name, double exposure, double temperature,
                 const std::string& filter = "") {
  FrameEntry entry;
  entry.name = name;
  entry.info.kind = kind;
  entry.info.size = {100, 80};
  entry.info.camera = "Sim Camera";
  entry.info.exposure_s = exposure;
  entry.info.temperature_c = temperature;
  entry.info.filter = filter;
  entry.info.object = kind == FrameKind::light ? "Wren Galaxy" : "";
  return entry;
}

bool warned(const Pairing& pairing, const std::string& code) {
  for (const auto& w : pairing.warnings) {
    if (w.code == code) return true;
  }
  return false;
}

TEST_CASE("Lights find the dark of their exposure and temperature and the flat of their filter") {
  Inventory stock;
  for (int i = 0; i < 3; ++i) stock.frames.push_back(frame(FrameKind::dark, "d120", 120, -10));
  for (int i = 0; i < 3; ++i) stock.frames.push_back(frame(FrameKind::dark, "d120warm", 120, 5));
  for (int i = 0; i < 3; ++i) stock.frames.push_back(frame(FrameKind::dark, "d2", 2, -10));
  for (int i = 0; i < 3; ++i) stock.frames.push_back(frame(FrameKind::flat, "fL", 2, -10, "L"));
  for (int i = 0; i < 3; ++i) stock.frames.push_back(frame(FrameKind::flat, "fR", 2, -10, "R"));
  stock.frames.push_back(frame(FrameKind::light, "l", 120, -9.6, "L"));
  const auto pairing = pair_frames(stock, {});
  const auto& plan = pairing.lights.back();
  REQUIRE(plan.dark);
  CHECK(stock.frames[pairing.sets[*plan.dark].frames.front()].name == "d120");
  REQUIRE(plan.flat);
  CHECK(stock.frames[pairing.sets[*plan.flat].frames.front()].name == "fL");
  REQUIRE(pairing.sets[*plan.flat].subtract);
  CHECK(stock.frames[pairing.sets[*pairing.sets[*plan.flat].subtract].frames.front()].name == "d2");
  CHECK(pairing.warnings.empty());
  CHECK(pairing.sets.size() == 5);
}

TEST_CASE("Without a fitting dark the next best is used and said") {
  Inventory stock;
  stock.frames.push_back(frame(FrameKind::light, "l", 60, -10, "V"));
  SECTION("scaled rate with a bias") {
    stock.frames.push_back(frame(FrameKind::bias, "b", 0, -10));
    stock.frames.push_back(frame(FrameKind::dark, "d", 300, -10));
    const auto pairing = pair_frames(stock, {});
    REQUIRE(pairing.lights[0].dark);
    REQUIRE(pairing.lights[0].bias);
    CHECK(pairing.lights[0].dark_scale == Approx(0.2));
    CHECK(warned(pairing, "dark-scaled"));
  }
  SECTION("a short dark in place of the bias") {
    stock.frames.push_back(frame(FrameKind::dark, "d", 1.5, -10));
    const auto pairing = pair_frames(stock, {});
    CHECK_FALSE(pairing.lights[0].dark);
    REQUIRE(pairing.lights[0].bias);
    CHECK(warned(pairing, "short-dark-as-bias"));
  }
  SECTION("a dark of another camera is refused") {
    auto other = frame(FrameKind::dark, "d", 60, -10);
    other.info.camera = "Other Camera";
    stock.frames.push_back(other);
    const auto pairing = pair_frames(stock, {});
    CHECK_FALSE(pairing.lights[0].dark);
    CHECK_FALSE(pairing.lights[0].bias);
    CHECK(warned(pairing, "dark-mismatch"));
    CHECK(warned(pairing, "no-flat"));
  }
  SECTION("a dark of another gain setting is refused, a flat is not") {
    stock.frames[0].info.gain_setting = 100;
    auto dark = frame(FrameKind::dark, "d", 60, -10);
    dark.info.gain_setting = 0;
    stock.frames.push_back(dark);
    auto flat = frame(FrameKind::flat, "f", 1, -10, "V");
    flat.info.gain_setting = 0;
    stock.frames.push_back(flat);
    const auto pairing = pair_frames(stock, {});
    CHECK_FALSE(pairing.lights[0].dark);
    CHECK(pairing.lights[0].flat);
  }
}

TEST_CASE("A dark a few degrees off serves with a word, one far off does not") {
  for (const double light_temperature : {-7.0, 5.0}) {
    Inventory stock;
    stock.frames.push_back(frame(FrameKind::light, "l", 120, light_temperature, "L"));
    stock.frames.push_back(frame(FrameKind::dark, "d", 120, -10));
    const auto pairing = pair_frames(stock, {});
    CHECK(pairing.lights[0].dark.has_value() == (light_temperature < 0.0));
    CHECK(warned(pairing, light_temperature < 0.0 ? "dark-temperature" : "dark-mismatch"));
  }
}

TEST_CASE("Flats and lights of which one side does not name its filter still pair, with a word") {
  Inventory stock;
  stock.frames.push_back(frame(FrameKind::light, "l", 120, -10, "L"));
  stock.frames.push_back(frame(FrameKind::flat, "f", 2, -10));
  SECTION("flats without") {
    const auto pairing = pair_frames(stock, {});
    CHECK(pairing.lights[0].flat);
    CHECK(warned(pairing, "flat-filter"));
  }
  SECTION("lights without, one kind of flat") {
    std::swap(stock.frames[0].info.filter, stock.frames[1].info.filter);
    const auto pairing = pair_frames(stock, {});
    CHECK(pairing.lights[0].flat);
    CHECK(warned(pairing, "flat-filter"));
  }
  SECTION("lights without, a choice of flats") {
    stock.frames[0].info.filter.clear();
    stock.frames[1].info.filter = "L";
    stock.frames.push_back(frame(FrameKind::flat, "r", 2, -10, "R"));
    const auto pairing = pair_frames(stock, {});
    CHECK_FALSE(pairing.lights[0].flat);
    CHECK(warned(pairing, "no-flat"));
  }
  SECTION("another filter stays another") {
    stock.frames[1].info.filter = "R";
    CHECK_FALSE(pair_frames(stock, {}).lights[0].flat);
  }
  SECTION("another spelling of the same") {
    stock.frames[1].info.filter = "Luminance";
    const auto pairing = pair_frames(stock, {});
    CHECK(pairing.lights[0].flat);
    CHECK_FALSE(warned(pairing, "flat-filter"));
  }
}

TEST_CASE("Spellings of one name are brought together, different names are not") {
  CHECK(folded_name("  WREN_Galaxy ") == folded_name("wren  galaxy"));
  CHECK(folded_name("Field 12") == folded_name("Field12"));
  CHECK(folded_name("Field 1-2") != folded_name("Field 12"));
  CHECK(folded_name("Field 1 2") != folded_name("Field 12"));
  CHECK(filter_key("H-alpha") == filter_key("Ha"));
  CHECK(filter_key("R") != filter_key("Ha"));
  Inventory stock;
  for (const char* name : {"Wren Galaxy", "wren galaxy ", "Wren Galaxy", ""}) {
    stock.frames.push_back(frame(FrameKind::light, "l", 120, -10, "L"));
    stock.frames.back().info.object = name;
  }
  SECTION("one object") {
    unify_names(stock);
    for (const auto& entry : stock.frames) CHECK(entry.info.object == "Wren Galaxy");
    CHECK(pair_frames(stock, {}).groups.size() == 1);
    CHECK(stock.warnings.size() == 2);
  }
  SECTION("two objects: the nameless one cannot be told") {
    stock.frames.front().info.object = "Magpie Galaxy";
    unify_names(stock);
    CHECK(stock.frames.front().info.object == "Magpie Galaxy");
    CHECK(stock.frames.back().info.object.empty());
  }
}

sensor::Doubling doubling_of(double kelvin, double error) { return {kelvin, error, 3}; }

TEST_CASE("Without a bias a short dark is the zero of the rate") {
  Inventory stock;
  stock.frames.push_back(frame(FrameKind::light, "l", 60, -10, "V"));
  stock.frames.push_back(frame(FrameKind::dark, "short", 1, -10));
  stock.frames.push_back(frame(FrameKind::dark, "long", 300, -10));
  const auto pairing = pair_frames(stock, {});
  const auto& plan = pairing.lights[0];
  REQUIRE(plan.dark);
  REQUIRE(plan.bias);
  CHECK(stock.frames[pairing.sets[*plan.bias].frames.front()].name == "short");
  // 59 s of dark current out of 299 s.
  CHECK(plan.dark_scale == Approx(59.0 / 299.0));
  CHECK(warned(pairing, "dark-scaled"));
}

TEST_CASE("A ladder of darks lets the rate follow the temperature, and says so") {
  Inventory stock;
  stock.frames.push_back(frame(FrameKind::light, "l", 120, -2, "V"));
  stock.frames.push_back(frame(FrameKind::bias, "b", 0, -10));
  stock.frames.push_back(frame(FrameKind::dark, "cold", 300, -10));
  stock.frames.push_back(frame(FrameKind::dark, "warm", 300, 5));
  DarkKnowledge darks;
  darks.doubling.resize(3);
  darks.refused.resize(3);
  SECTION("nothing known: only the bias") {
    const auto pairing = pair_frames(stock, {}, darks);
    CHECK_FALSE(pairing.lights[0].dark);
    CHECK(pairing.lights[0].bias);
    CHECK(warned(pairing, "no-dark"));
  }
  SECTION("doubling known: the nearer one in temperature") {
    darks.doubling[1] = darks.doubling[2] = doubling_of(6.0, 0.3);
    const auto pairing = pair_frames(stock, {}, darks);
    const auto& plan = pairing.lights[0];
    REQUIRE(plan.dark);
    CHECK(stock.frames[pairing.sets[*plan.dark].frames.front()].name == "warm");
    CHECK(plan.dark_scale == Approx(0.4 * std::exp2(-7.0 / 6.0)));
    // d ln(factor) = ln 2 * 7/6 * dD/D
    CHECK(plan.dark_scale_error == Approx(std::log(2.0) * 7.0 / 6.0 * 0.05));
    CHECK(warned(pairing, "dark-scaled"));
    CHECK_FALSE(warned(pairing, "dark-temperature"));
  }
  SECTION("a dark that must not be scaled gives way to the next, and to the bias") {
    darks.doubling[1] = darks.doubling[2] = doubling_of(6.0, 0.3);
    darks.refused[2] = "it glows";
    auto pairing = pair_frames(stock, {}, darks);
    REQUIRE(pairing.lights[0].dark);
    CHECK(*pairing.lights[0].dark == 1);
    darks.refused[1] = "it glows too";
    pairing = pair_frames(stock, {}, darks);
    CHECK_FALSE(pairing.lights[0].dark);
    CHECK(pairing.lights[0].bias);
    CHECK(warned(pairing, "dark-scaling-refused"));
    CHECK_FALSE(warned(pairing, "no-dark"));
  }
  SECTION("a factor that is not known to 15% is not used, nor one above two") {
    darks.doubling[1] = darks.doubling[2] = doubling_of(6.0, 1.5);
    CHECK_FALSE(pair_frames(stock, {}, darks).lights[0].dark);
    darks.doubling[1] = doubling_of(6.0, 0.1);
    darks.doubling[2].reset();
    stock.frames[0].info.temperature_c = 8.0;  // 0.4 * 2^(18/6) = 3.2 from the cold one
    CHECK_FALSE(pair_frames(stock, {}, darks).lights[0].dark);
  }
  SECTION("a dark of the right exposure and temperature comes first") {
    darks.doubling[1] = darks.doubling[2] = doubling_of(6.0, 0.3);
    stock.frames.push_back(frame(FrameKind::dark, "own", 120, -3));
    darks.doubling.resize(4);
    darks.refused.resize(4);
    const auto pairing = pair_frames(stock, {}, darks);
    CHECK(pairing.lights[0].dark_scale == 1.0);
    CHECK(pairing.warnings.size() == 1);  // no flat
  }
}

TEST_CASE("Flats must match optics, rotator and filter; the nearest night serves") {
  constexpr double day = 86400.0;
  Inventory stock;
  stock.frames.reserve(16);  // `light` stays where it is
  stock.frames.push_back(frame(FrameKind::light, "l", 120, -10, "L"));
  auto& light = stock.frames[0].info;
  light.start_s = 100.0 * day;
  light.rotator_deg = 359.0;
  light.telescope = "Sim Refractor";
  light.focal_length_mm = 500.0;
  const auto flat = [&](const char* name, double days) {
    auto entry = frame(FrameKind::flat, name, 1, -10, "L");
    entry.info.start_s = (100.0 + days) * day;
    entry.info.rotator_deg = 1.0;  // two degrees away, not 358
    entry.info.telescope = light.telescope;
    entry.info.focal_length_mm = 502.0;
    stock.frames.push_back(entry);
    stock.frames.push_back(entry);
  };
  const auto chosen = [&]() -> std::string {
    const auto pairing = pair_frames(stock, {});
    const auto& set = pairing.lights[0].flat;
    return set ? stock.frames[pairing.sets[*set].frames.front()].name : "";
  };
  SECTION("nights apart make sets of their own; the nearest is taken, before or after") {
    flat("week before", -7.0);
    flat("morning after", 0.4);
    flat("month after", 30.0);
    CHECK(pair_frames(stock, {}).sets.size() == 3);
    CHECK(chosen() == "morning after");
  }
  SECTION("turned camera") {
    flat("turned", 0.4);
    stock.frames[1].info.rotator_deg = stock.frames[2].info.rotator_deg = 8.0;
    CHECK(chosen().empty());
    CHECK(warned(pair_frames(stock, {}), "no-flat"));
    MatchTolerances wide;
    wide.rotator_deg = 10.0;
    CHECK(pair_frames(stock, wide).lights[0].flat);
  }
  SECTION("another telescope, another reducer") {
    flat("other telescope", 0.4);
    stock.frames[1].info.telescope = stock.frames[2].info.telescope = "Sim Reflector";
    flat("reducer", 0.4);
    stock.frames[3].info.focal_length_mm = stock.frames[4].info.focal_length_mm = 400.0;
    CHECK(chosen().empty());
  }
  SECTION("binning and size") {
    flat("binned", 0.4);
    for (const std::size_t i : {1U, 2U}) {
      stock.frames[i].info.binning_x = stock.frames[i].info.binning_y = 2;
    }
    CHECK(chosen().empty());
  }
  SECTION("gain does not matter to a flat, read-out mode neither") {
    light.gain_setting = 100;
    light.read_out = "fast";
    flat("slow", 0.4);
    for (const std::size_t i : {1U, 2U}) {
      stock.frames[i].info.gain_setting = 0;
      stock.frames[i].info.read_out = "slow";
    }
    CHECK(chosen() == "slow");
  }
}

TEST_CASE("A dark of another read-out mode is refused") {
  Inventory stock;
  stock.frames.push_back(frame(FrameKind::light, "l", 120, -10, "L"));
  stock.frames.push_back(frame(FrameKind::dark, "d", 120, -10));
  stock.frames[0].info.read_out = "fast";
  CHECK(pair_frames(stock, {}).lights[0].dark);
  stock.frames[1].info.read_out = "slow";
  const auto pairing = pair_frames(stock, {});
  CHECK_FALSE(pairing.lights[0].dark);
  CHECK(warned(pairing, "dark-mismatch"));
}

}  // namespace
}  // namespace coldframe::session
