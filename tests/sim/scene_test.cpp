#include "coldframe/sim/scene.hpp"

#include <filesystem>
#include <fstream>
#include <iterator>
#include <string>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/sim/render.hpp"
#include "near.hpp"

using namespace coldframe;
using namespace coldframe::sim;

namespace {

std::string fault_of(const std::string& json) {
  try {
    (void)parse_scene(json, "s.json");
  } catch (const Error& error) {
    CHECK(error.kind() == ErrorKind::usage);
    CHECK(error.path() == "s.json");
    return error.what();
  }
  return "accepted";
}

bool names(const std::string& json, const std::string& key) {
  const std::string fault = fault_of(json);
  INFO(fault);
  CHECK(fault.find(key) != std::string::npos);
  return fault.find(key) != std::string::npos;
}

}  // namespace

TEST_CASE("an empty scene is a session with the defaults") {
  const Scene scene = parse_scene("{}", "empty");
  CHECK(scene.lights.size() == 24);
  CHECK(scene.filters == std::vector<std::string>{"L"});
  CHECK(plan_frames(scene).size() == 24 + 20 + 15 + 10);
}

TEST_CASE("every scene in testdata can be read") {
  int count = 0;
  for (const auto& entry : std::filesystem::directory_iterator(COLDFRAME_TESTDATA "/scenes")) {
    if (entry.path().extension() != ".json") continue;
    CAPTURE(entry.path().string());
    std::ifstream in(entry.path());
    const std::string text((std::istreambuf_iterator<char>(in)), {});
    const Scene scene = parse_scene(text, entry.path().filename().string());
    CHECK(scene.name == entry.path().stem().string());
    CHECK_FALSE(scene.lights.empty());
    ++count;
  }
  CHECK(count >= 8);
}

TEST_CASE("faults name the key, what stands there and the range") {
  CHECK(names(R"({"sensr": {}})", "'sensr'"));
  CHECK(names(R"({"sensor": {"widht": 3}})", "'sensor.widht'"));
  CHECK(names(R"({"sensor": {"width": "big"}})",
              "'sensor.width' is \"big\": must be a whole number from 16"));
  CHECK(names(R"({"sensor": {"width": 100.5}})", "'sensor.width'"));
  CHECK(names(R"({"sensor": {"cfa": "RGBG"}})", "'sensor.cfa'"));
  CHECK(names(R"({"sensor": {"adc_bits": 14, "left_shift": 3}})", "'sensor.left_shift'"));
  CHECK(names(R"({"sensor": 7})", "'sensor' is 7: must be an object"));
  CHECK(names(R"({"sky": {"stars": -1}})", "'sky.stars' is -1"));
  CHECK(names(R"({"sky": {"sky_colour": [1, 2]}})", "'sky.sky_colour'"));
  CHECK(names(R"({"optics": {"vignetting": 1.5}})", "from 0 to 0.95"));
  CHECK(names(R"({"lights": {"count": 3, "overrides": [{"index": 3}]}})",
              "'lights.overrides[0].index' is 3"));
  CHECK(names(R"({"lights": {"overrides": [{}]}})", "'lights.overrides[0].index' missing"));
  CHECK(names(R"({"lights": [{"count": 1, "filter": "Q"}]})", "'lights[0].filter'"));
  CHECK(names(R"({"filters": []})", "'filters'"));
  CHECK(names(R"({"start": "yesterday"})", "'start'"));
  CHECK(names(R"({"start": "2031-02-30T20:00:00"})", "'start'"));
  CHECK(names(R"({"seed": 1.5})", "'seed'"));
  CHECK(names(R"({"darks": 3, "darks": 4})", "'darks' stands twice"));
  CHECK(names(R"({"darks": )", "not valid JSON"));
  CHECK(names("[1, 2]", "no JSON object"));
  CHECK(names("", "not valid JSON"));
}

TEST_CASE("lights are expanded from their compact form") {
  const Scene scene = parse_scene(R"({"seed": 3, "sensor": {"width": 100, "height": 80},
    "lights": {"count": 10, "exposure_s": 60, "seeing_fwhm_px": 3.0, "seeing_sd": 0.1, "dither_px": 5,
               "drift_px": [90, 0], "rotation_total_deg": 4, "flip_at": 6,
               "overrides": [{"index": 7, "smear_px": 9}, {"index": 2, "transparency": 0.3, "trails": 2}]}})",
                                  "s");
  REQUIRE(scene.lights.size() == 10);
  CHECK(scene.lights[5].flipped == false);
  CHECK(scene.lights[6].flipped == true);
  CHECK(scene.lights[0].rotation_deg == Near(-2.0));
  CHECK(scene.lights[9].rotation_deg == Near(2.0));
  CHECK(scene.lights[7].smear_px == 9.0);
  CHECK(scene.lights[2].transparency == 0.3);
  CHECK(scene.lights[2].trails == 2);
  CHECK(scene.lights[3].trails == 0);
  for (std::size_t i = 0; i < 10; ++i) {
    const double drift = 90.0 * (static_cast<double>(i) / 9.0 - 0.5);
    CHECK(std::abs(scene.lights[i].shift_x - drift) <= 5.0);
    CHECK(std::abs(scene.lights[i].shift_y) <= 5.0);
    CHECK(scene.lights[i].seeing_fwhm_px == Near(3.0).margin(0.5));  // 5 sd
  }
  CHECK(scene.lights[0].shift_x != scene.lights[1].shift_x);
}

TEST_CASE("several filters give lights and flats for each") {
  const Scene scene = parse_scene(R"({"object": "Wren Galaxy", "filters": ["L", "R a"], "flats": 3,
    "darks": 2, "flat_darks": 1, "bias": 1, "lights": {"count": 2}})",
                                  "s");
  std::vector<std::string> paths;
  for (const FramePlan& frame : plan_frames(scene)) paths.push_back(frame.path);
  CHECK(paths == std::vector<std::string>{
                     "lights/wren-galaxy_L_0001.fits", "lights/wren-galaxy_L_0002.fits",
                     "lights/wren-galaxy_R-a_0001.fits", "lights/wren-galaxy_R-a_0002.fits",
                     "darks/dark_120s_0001.fits", "darks/dark_120s_0002.fits",
                     "flats/flat_L_0001.fits", "flats/flat_L_0002.fits", "flats/flat_L_0003.fits",
                     "flats/flat_R-a_0001.fits", "flats/flat_R-a_0002.fits",
                     "flats/flat_R-a_0003.fits", "flat_darks/flat_dark_2s_0001.fits",
                     "bias/bias_0001.fits"});
}
