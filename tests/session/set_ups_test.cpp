// Subs of several telescopes: told apart, and judged among their own.
#include "session/set_ups.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "session/judge.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

FrameInfo info_of(const char* camera, const char* telescope, std::optional<double> focal) {
  FrameInfo info;
  info.camera = camera;
  info.telescope = telescope;
  info.focal_length_mm = focal;
  return info;
}

}  // namespace

TEST_CASE("set-ups are told by header and match", "[setups]") {
  const auto a = info_of("Plover 640", "Sedge 80", 480.0);
  const auto a_focused = info_of("Plover 640", "Sedge 80", 481.2);
  const auto b = info_of("Plover 640", "Sedge 80", 384.0);
  const auto silent = info_of("", "", {});
  const Transform same, turned = Transform::affine(-1.0001, 0, 600, 0, -1.0001, 400);
  const Transform reduced = Transform::affine(1.25, 0, -60, 0, 1.25, -40);
  const Transform mirrored = Transform::affine(-1, 0, 600, 0, 1, 0);
  const Size frame{640, 480}, other{320, 240};
  const std::vector<SetUpMember> members{
      {&a, frame, &same},     {&a, frame, &turned},   // a flipped mount is no set-up
      {&b, frame, nullptr},   {&b, frame, &reduced},  // a focal reducer is one
      {&a, frame, &mirrored}, {&a, other, &same},     // so are a diagonal and another binning
      {&a, frame, nullptr},   {&a_focused, frame, nullptr},  // headers alone
      {&silent, frame, &same}};
  const auto set_ups = sort_by_set_up(members);
  CHECK(set_ups.of == std::vector<std::size_t>{0, 0, 1, 1, 2, 3, 0, 0, 4});
  REQUIRE(set_ups.frames.size() == 5);
  CHECK(set_ups.frames[3] == other);
}

TEST_CASE("a small telescope's subs are no clouds and no blur", "[setups][judge]") {
  // Eight subs of each; the second gives a third of the light and twice the width in its pixels.
  std::vector<SubFigures> figures;
  for (std::size_t i = 0; i < 16; ++i) {
    SubFigures f;
    f.usable = f.has_sky = f.matched = true;
    f.set_up = i / 8;
    f.stars = f.fitted = 100;
    const double jitter = 1.0 + 0.01 * static_cast<double>(i % 8);
    f.fwhm_px = (f.set_up == 0 ? 2.2 : 4.8) * jitter;
    f.fwhm_error_px = 0.02;
    f.ellipticity = f.set_up == 0 ? 0.05 : 0.16;
    f.ellipticity_error = 0.01;
    f.transparency = 1.0;  // of the best of its own
    f.transparency_error = 0.01;
    f.noise = f.set_up == 0 ? 10.0 : 45.0;
    f.exposure_s = 100.0;
    figures.push_back(f);
  }
  for (const auto& d : judge_subs(figures, {})) CHECK(d.kept);
  // Within each the old rules hold.
  figures[2].fwhm_px = 4.8;
  figures[12].fwhm_px = 10.5;
  const auto decisions = judge_subs(figures, {});
  for (std::size_t i = 0; i < 16; ++i) CHECK(decisions[i].kept == (i != 2 && i != 12));
}
