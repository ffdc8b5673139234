// Faults of flat sets and what is done about them: bent response, a sky's gradient.
#include <cmath>
#include <string>

#include "catch.hpp"
#include "coldframe/sensor/masters.hpp"
#include "test_frames.hpp"

using namespace coldframe;
using namespace coldframe::sensor;
using test_frames::Camera;
using test_frames::expose;
using test_frames::MemorySource;
using test_frames::Near;
using test_frames::Stack;

namespace {

constexpr Size size{320, 256};
constexpr Camera camera{0.9, 3.0, 400.0};

double vignetting(int x, int y) {
  const double u = (x - 159.5) / 160.0;
  const double v = (y - 127.5) / 160.0;
  return 1.0 - 0.25 * (u * u + v * v);
}

/// Flats whose level falls by `drift` from one to the next; the converter loses `bend` of the
/// signal at `top` ADU, growing with its square.
Stack flats(int count, double level_e, double drift, double bend, std::uint64_t seed,
            double gradient = 0.0) {
  const double top = level_e / camera.gain_e_per_adu;
  Stack stack;
  for (int i = 0; i < count; ++i) {
    auto frame = expose(size, camera, seed, static_cast<std::uint32_t>(i), [&](int x, int y) {
      const double tilt = 1.0 + gradient * ((x - 159.5) / 160.0 + 0.5 * (y - 127.5) / 128.0);
      return level_e * (1.0 - drift * i) * vignetting(x, y) * tilt;
    });
    for (int y = 0; y < size.height; ++y) {
      for (float& v : frame.row(y)) {
        const double s = static_cast<double>(v) - camera.offset_adu;
        v = static_cast<float>(std::round(camera.offset_adu + s * (1.0 - bend * s / top)));
      }
    }
    stack.add(std::move(frame));
  }
  return stack;
}

Master master_of(const Stack& stack, MasterOptions options = {}) {
  const MemorySource bias(Grid<float>(size, static_cast<float>(camera.offset_adu)));
  options.kind = MasterKind::flat;
  return build_master(stack.pointers, &bias, options, Threads{2});
}

const MasterNote* note_of(const Master& master, const std::string& code) {
  for (const auto& note : master.notes) {
    if (note.code == code) return &note;
  }
  return nullptr;
}

}  // namespace

TEST_CASE("a bent response is named by shape or by noise, a straight one never", "[flats]") {
  // Levels that fall by a quarter: shapes tell 3% (25,000 ADU); one level: only noise is left, and
  // tells 10%: 4 x 10% less variance at the top than without.
  const auto drifting = master_of(flats(9, 30000.0, 0.03, 0.03, 50));
  REQUIRE(note_of(drifting, "flat-nonlinear"));
  CHECK(note_of(drifting, "flat-nonlinear")->text.find("shapes") != std::string::npos);
  CHECK(drifting.frames == 9);
  CHECK_FALSE(note_of(drifting, "flat-shape"));  // it is the bend, not each frame's own fault
  const auto steady = master_of(flats(9, 30000.0, 0.0, 0.10, 51));
  REQUIRE(note_of(steady, "flat-nonlinear"));
  CHECK(note_of(steady, "flat-nonlinear")->text.find("noise") != std::string::npos);
  for (std::uint64_t seed = 60; seed < 72; ++seed) {
    const auto straight = master_of(
        flats(9, seed % 2 == 0 ? 30000.0 : 6000.0, seed % 3 == 0 ? 0.0 : 0.05, 0.0, seed));
    CHECK(straight.notes.empty());
  }
}

TEST_CASE("no fit frame: the fault's word goes with the error", "[flats]") {
  Stack stack;
  for (std::uint32_t i = 0; i < 4; ++i) stack.add(Grid<float>(size, 65535.0F));
  try {
    (void)master_of(stack);
    FAIL("a master of saturated flats");
  } catch (const UnfitFrames& error) {
    CHECK(error.kind() == ErrorKind::not_enough_data);
    REQUIRE(error.notes().size() == 1);
    CHECK(error.notes()[0].code == "flat-saturated");
    CHECK(error.notes()[0].text.find("frames 1, 2, 3, 4") == 0);
  }
}

TEST_CASE("a sky's plane leaves the flat, vignetting and dust stay", "[flats]") {
  MasterOptions options;
  for (const auto cfa : {CfaPattern::none, CfaPattern::rggb}) {
    options.cfa = cfa;
    options.gradient = FlatGradient::remove;
    const auto stack = flats(10, 30000.0, 0.02, 0.0, 80, 0.06);
    const auto straight = master_of(stack, options);
    options.gradient = FlatGradient::keep;
    const auto tilted = master_of(stack, options);
    // Over 40 x 32 cells of 64 pixels: photon noise 0.02% a cell.
    double worst = 0.0, worst_kept = 0.0, sum = 0.0;
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) sum += vignetting(x, y);
    }
    const double mean = sum / static_cast<double>(size.count());
    for (int j = 0; j < size.height; j += 32) {
      for (int i = 0; i < size.width; i += 32) {
        double ours = 0.0, kept = 0.0, truth = 0.0;
        for (int y = j; y < j + 32; ++y) {
          for (int x = i; x < i + 32; ++x) {
            ours += static_cast<double>(straight.value(x, y));
            kept += static_cast<double>(tilted.value(x, y));
            truth += vignetting(x, y) / mean;
          }
        }
        worst = std::max(worst, std::fabs(ours / truth - 1.0));
        worst_kept = std::max(worst_kept, std::fabs(kept / truth - 1.0));
      }
    }
    INFO("left " << worst << ", kept " << worst_kept);
    CHECK(worst < 0.001);
    CHECK(worst_kept > 0.07);
    // 12% and 6% over the frame: what was done is told, as no fault.
    REQUIRE(note_of(straight, ""));
    const auto& told = note_of(straight, "")->text;
    const auto number = told.find('+');
    REQUIRE(number != std::string::npos);
    CHECK(std::stod(told.substr(number)) == Near(12.0).margin(0.1));
    CHECK(note_of(tilted, "") == nullptr);
  }
}
