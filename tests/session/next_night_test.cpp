// What limited a result and what would gain most: rows made here, figures by hand.
#include "coldframe/session/next_night.hpp"

#include <cmath>

#include "catch.hpp"
#include "coldframe/session/nights.hpp"
#include "session/folder_labels.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

// A clean night of electrons: sky 80 % of the variance, read noise 16 %.
SessionRecord clean_night(int subs) {
  SessionRecord record;
  record.state = "done";
  record.cameras.push_back({});
  record.cameras.front().read_noise_e = 4.0;
  ResultRecord result;
  result.object = "Curlew Reach";
  result.path = "a.fits";
  result.subs_total = result.subs_kept = subs;
  result.exposure_s = 60.0 * subs;
  record.results.push_back(result);
  for (int i = 0; i < subs; ++i) {
    SubRecord sub;
    sub.path = "s" + std::to_string(i);
    sub.start = "2031-03-14T2" + std::to_string(i / 6) + ":" + std::to_string(i % 6) + "0:00";
    sub.night = "2031-03-14";
    sub.kept = true;
    sub.unit = "electron";
    sub.exposure_s = 60.0;
    sub.sky_per_s = 80.0 / 60.0;
    sub.noise_per_px = 10.0;
    sub.stars = 100;
    sub.transparency = 1.0;
    sub.transparency_error = 0.01;
    sub.fwhm_px = 3.0 + 0.02 * ((7 * i) % 5 - 2);
    sub.fwhm_error_px = 0.02;
    sub.arcsec_per_px = 1.5;
    sub.ellipticity = 0.04;
    sub.position_angle_deg = (97.0 * i) - 180.0 * std::floor(97.0 * i / 180.0);
    sub.snr_share = 1.0 / subs;
    sub.frame = {1000, 800};
    sub.transform =
        Transform::affine(1, 0, 11.0 * ((5 * i) % 7) - 30.0, 0, 1, 9.0 * ((3 * i) % 8) - 30.0);
    record.subs.push_back(sub);
  }
  return record;
}

const NightLimit* limit(const NextNight& night, const std::string& code) {
  for (const auto& l : night.limits) {
    if (l.code == code) return &l;
  }
  return nullptr;
}

const NightAction* action(const NextNight& night, const std::string& code) {
  for (const auto& a : night.actions) {
    if (a.code == code) return &a;
  }
  return nullptr;
}

}  // namespace

TEST_CASE("a clean night is limited by sky and camera, and gains by time") {
  const auto night = next_night(clean_night(12), 0);
  for (const auto& l : night.limits) CHECK_FALSE(l.fault);
  REQUIRE(limit(night, "sky") != nullptr);
  // Without the sky the noise would be sqrt(0.2) of what it is.
  CHECK(*limit(night, "sky")->snr_loss == Approx(1.0 - std::sqrt(0.2)).epsilon(1e-9));
  CHECK(*limit(night, "read-noise")->snr_loss == Approx(1.0 - std::sqrt(0.84)).epsilon(1e-9));
  CHECK(night.limits.front().code == "sky");
  REQUIRE(action(night, "few-subs") != nullptr);
  CHECK(action(night, "few-subs")->gain_mag == Approx(0.3763).margin(1e-4));  // 1.25 log10 2
  // Two thirds of 16 % of the variance go away.
  CHECK(action(night, "read-noise")->gain_mag ==
        Approx(-1.25 * std::log10(1.0 - 0.16 * 2.0 / 3.0)).epsilon(1e-9));
  CHECK(night.actions.front().code == "few-subs");
}

TEST_CASE("focus that drifts is named first, with what it cost") {
  auto record = clean_night(12);
  for (std::size_t i = 0; i < 12; ++i) *record.subs[i].fwhm_px = 2.6 + 0.1 * static_cast<double>(i);
  const auto night = next_night(record, 0);
  REQUIRE(night.limits.front().code == "focus-drift");
  const auto& l = night.limits.front();
  CHECK(l.fault);
  // Mean 3.15 px against 2.71, the tenth quantile; 1.5 arcsec each.
  REQUIRE(l.width_px);
  CHECK(*l.width_px == Approx(0.44).margin(1e-6));
  CHECK(*l.width_arcsec == Approx(0.66).margin(1e-6));
  REQUIRE(action(night, "focus-drift") != nullptr);
  CHECK(action(night, "focus-drift")->gain_mag ==
        Approx(-2.5 * std::log10(1.0 - *l.snr_loss)).epsilon(1e-9));
  CHECK(next_night_lines(night).front().find("focus-drift") != std::string::npos);
}

TEST_CASE("what a flat leaves is weighed against the noise of faint surfaces") {
  auto record = clean_night(12);
  record.warnings.push_back(
      {"flat-mismatch", "the flat is wrong", {}, {{"left_share_of_sky", 0.05}}});
  record.results[0].noise_per_px = 3.0;
  record.results[0].noise_correlation = 1.0;
  const auto night = next_night(record, 0);
  REQUIRE(night.limits.front().code == "flats");
  const double left = 0.05 * 80.0 / std::sqrt(12.0), noise = 3.0 / 8.0;
  CHECK(*night.limits.front().snr_loss ==
        Approx(1.0 - noise / std::hypot(left, noise)).epsilon(1e-9));
}

TEST_CASE("trails and subs left out cost their share; few subs are said") {
  auto record = clean_night(6);
  stack::Trail trail;
  trail.x1 = 0.0;
  trail.x2 = 1000.0;
  trail.y1 = trail.y2 = 100.0;
  trail.width_px = 48.0;
  record.subs[0].trails.push_back(trail);
  record.subs[5].kept = false;
  record.results[0].subs_kept = 5;
  record.subs[5].rule = "transparency";
  const auto night = next_night(record, 0);
  // 6 % of one of five subs.
  REQUIRE(limit(night, "trails") != nullptr);
  CHECK(*limit(night, "trails")->snr_loss == Approx(1.0 - std::sqrt(1.0 - 0.012)).epsilon(1e-6));
  REQUIRE(limit(night, "left-out") != nullptr);
  CHECK(*limit(night, "left-out")->snr_loss == Approx(1.0 - std::sqrt(5.0 / 6.0)).epsilon(1e-9));
  CHECK(limit(night, "few-subs") != nullptr);
}

TEST_CASE("noise that more subs do not lessen is told by its growth") {
  auto record = clean_night(16);
  auto& growth = record.results[0].growth;
  growth.steps = {{1, 1.0, 0.01}, {4, 0.7, 0.01}, {16, 0.5, 0.01}};
  growth.slope = -0.25;
  growth.slope_error = 0.01;
  record.results[0].doubling_mag = 0.19;
  const auto night = next_night(record, 0);
  REQUIRE(limit(night, "common-noise") != nullptr);
  // Twice what sixteen independent subs would have: half the signal to noise.
  CHECK(*limit(night, "common-noise")->snr_loss == Approx(0.5).epsilon(1e-9));
  CHECK(action(night, "few-subs")->gain_mag == Approx(0.19));
}

TEST_CASE("nights are listed by folder and date with their share") {
  auto record = clean_night(6);
  record.folders = {"b", "a"};
  for (std::size_t i = 0; i < 6; ++i) {
    record.subs[i].path = (i < 4 ? "b/" : "a/") + record.subs[i].path;
    if (i == 3) record.subs[i].night = "2031-03-15";
  }
  const auto nights = nights_of(record, 0);
  REQUIRE(nights.size() == 3);
  CHECK(nights[0].folder == "b");
  CHECK(nights[0].subs_kept == 3);
  CHECK(*nights[0].share == Approx(0.5));
  CHECK(nights[1].night == "2031-03-15");
  CHECK(nights[2].folder == "a");
  CHECK(nights[2].exposure_s == 120.0);
  CHECK(night_text(nights[2]).find("2031-03-14 (a): 2 of 2 subs, 2.0 min") == 0);
}

TEST_CASE("folders are told apart by as little as does") {
  CHECK(folder_labels({"x/one"}) == std::vector<std::string>{""});
  CHECK(folder_labels({"x/one", "x/two/"}) == std::vector<std::string>{"one", "two"});
  CHECK(folder_labels({"x/one/lights", "x/two/lights"}) ==
        std::vector<std::string>{"one/lights", "two/lights"});
  CHECK(folder_labels({"x/one", "x/one"}).front() != folder_labels({"x/one", "x/one"}).back());
}

TEST_CASE("nights split at noon of the site, else of UTC, which is said") {
  Inventory inventory;
  for (const char* start : {"2031-03-14T11:30:00", "2031-03-14T21:00:00"}) {
    FrameEntry frame;
    frame.info.kind = FrameKind::light;
    frame.info.start_s = seconds_from_iso(start);
    inventory.frames.push_back(frame);
  }
  REQUIRE(night_split_note(inventory));
  CHECK(night_split_note(inventory)->code == "night-utc");
  CHECK(night_of(*inventory.frames[0].info.start_s, std::nullopt) == "2031-03-13");
  // 45 degrees east are 3 hours: 14:30.
  CHECK(night_of(*inventory.frames[0].info.start_s, 45.0) == "2031-03-14");
  inventory.frames[0].info.site_longitude_deg = 45.0;
  CHECK_FALSE(night_split_note(inventory));
}
