#include <unistd.h>

#include <cmath>
#include <filesystem>
#include <nlohmann/json.hpp>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/record.hpp"
#include "session/camera_facts.hpp"
#include "session/decide.hpp"
#include "session/digest.hpp"
#include "session/double_images.hpp"
#include "session/measure_cache.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

/// A folder that goes away with the test.
class Folder {
 public:
  Folder() : path_(fs::temp_directory_path() / ("coldframe-test-" + std::to_string(counter()++))) {
    fs::remove_all(path_);
    fs::create_directories(path_);
  }
  ~Folder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  [[nodiscard]] const fs::path& path() const noexcept { return path_; }

 private:
  static int& counter() {
    static int count = static_cast<int>(getpid()) * 100;
    return count;
  }
  fs::path path_;
};

TEST_CASE("A full well below the converter's range is seen as a crowd of pixels under one level") {
  const Folder folder;
  for (const bool full : {true, false}) {
    RandomStream random(3, 7, 0);
    Grid<float> pixels(300, 200);
    for (int y = 0; y < 200; ++y) {
      for (int x = 0; x < 300; ++x) {
        // Six stars far brighter than the well of 20000 above a level of 500.
        double light = 100.0;
        for (int k = 0; k < 6; ++k) {
          const double r2 = std::pow(x - 25.0 - 48.0 * k, 2) + std::pow(y - 100.0, 2);
          light += 4e4 * (1.0 + 0.3 * k) * std::exp(-0.5 * r2 / 3.0);
        }
        if (full) light = std::min(light, 20000.0);
        pixels(x, y) = static_cast<float>(std::round(500.0 + light + 4.0 * random.normal()));
      }
    }
    const auto path = folder.path() / (full ? "full.fits" : "free.fits");
    fits::FileWriter writer(path);
    const int hdu = writer.add_image({"", pixels.size(), 1, fits::SampleType::float32}, {});
    writer.write_rows(hdu, 0, 0, pixels.cview());
    writer.commit();
    const double level = saturation_from_lights({path}, std::nullopt).level_adu.value();
    // Without an end in sight, the next power of two above the brightest pixel (about 100,000).
    CHECK(level > (full ? 20000.0 : 131000.0));
    CHECK(level < (full ? 20500.0 : 131072.0));
    // What the lights show counts more than a card: a crowd below it, or pixels above it.
    CHECK(saturation_from_lights({path}, std::nullopt, 60000.0).level_adu.value() == level);
  }
}

TEST_CASE("DATAMAX is a hint where the lights show no saturation") {
  const Folder folder;
  RandomStream random(3, 8, 0);
  Grid<float> pixels(200, 150);
  for (int y = 0; y < 150; ++y) {
    for (float& v : pixels.row(y)) v = static_cast<float>(std::round(600 + 25 * random.normal()));
  }
  pixels(70, 70) = 31000.0F;
  const auto path = folder.path() / "dim.fits";
  fits::FileWriter writer(path);
  const int hdu = writer.add_image({"", pixels.size(), 1, fits::SampleType::float32}, {});
  writer.write_rows(hdu, 0, 0, pixels.cview());
  writer.commit();
  CHECK(saturation_from_lights({path}, std::nullopt, 60000.0).level_adu.value() == 60000.0);
  // The brightest pixel of this picture is no saturation of the camera.
  CHECK(saturation_from_lights({path}, std::nullopt, 31000.0).level_adu.value() > 65000.0);
  CHECK(saturation_from_lights({path}, 50000.0, 60000.0).level_adu.value() == 50000.0);
  Header header;
  header.set("DATAMAX", 60000.0);
  CHECK(interpret_header(header, {200, 150}, 1).data_max_adu == 60000.0);
  CHECK_FALSE(interpret_header(header, {200, 150}, 1).saturation_adu);
}

TEST_CASE("File names are made safe and digests are those of FNV-1a") {
  CHECK(safe_file_name("Wren Galaxy/L") == "Wren_Galaxy_L");
  CHECK(safe_file_name("../..") == "_..");
  CHECK(safe_file_name("") == "unnamed");
  CHECK(safe_file_name("<b>") == "_b_");
  // Published test vectors of 64-bit FNV-1a: empty text and "a" (from memory).
  CHECK(digest("") == "cbf29ce484222325");
  CHECK(digest("a") == "af63dc4c8601ec8c");
}

TEST_CASE("A measurement comes back from the cache bit for bit, and not for another key") {
  const Folder folder;
  pipeline::SubMeasurement m;
  m.frame = {321, 217};
  m.quality.fwhm_px = 3.0123456789012345;
  m.quality.stars = 17;
  m.quality.status = stars::QualityStatus::good;
  m.preview_bin = 2;
  m.preview = Grid<float>(160, 108, 0.1F);
  m.preview_mask = Mask(Size{160, 108});
  m.preview_mask(3, 4) = mask_bit::outside;
  pipeline::ChannelSky sky;
  sky.step = 2;
  sky.offset_x = 1;
  sky.mesh.cell_px = 32;
  sky.mesh.frame = {160, 108};
  sky.mesh.level = Grid<float>(5, 4, 123.456F);
  sky.mesh.noise = Grid<float>(5, 4, 7.89F);
  m.sky.push_back(std::move(sky));
  Star star;
  star.x = 1.0 / 3.0;
  star.flux = 12345.678901234567;
  star.fitted = true;
  star.kind = StarClass::saturated;
  m.stars.push_back(star);
  const auto path = folder.path() / "m.fits";
  write_measurement(path, "key", m);
  CHECK_FALSE(read_measurement(path, "other"));
  CHECK_FALSE(read_measurement(folder.path() / "none.fits", "key"));
  const auto back = read_measurement(path, "key");
  REQUIRE(back);
  CHECK(back->frame == m.frame);
  CHECK(back->quality.fwhm_px == m.quality.fwhm_px);
  CHECK(back->quality.status == m.quality.status);
  CHECK(back->preview(5, 5) == m.preview(5, 5));
  CHECK(back->preview_mask(3, 4) == mask_bit::outside);
  REQUIRE(back->sky.size() == 1);
  CHECK(back->sky[0].mesh.level(4, 3) == m.sky[0].mesh.level(4, 3));
  CHECK(back->sky[0].step == 2);
  CHECK(back->sky[0].offset_x == 1);
  REQUIRE(back->stars.size() == 1);
  CHECK(back->stars[0].x == star.x);
  CHECK(back->stars[0].flux == star.flux);
  CHECK(back->stars[0].kind == StarClass::saturated);
}

// A group of like subs with star lists that match; one is changed by each test.
struct Group {
  FrameInfo info;
  GroupState state;
  Group() {
    info.exposure_s = 120.0;
    RandomStream random(5, 1, 0);
    StarList stars;
    for (int i = 0; i < 60; ++i) {
      Star star;
      star.x = 1000 * random.uniform();
      star.y = 700 * random.uniform();
      star.flux = 1000.0 + 20000.0 * random.uniform();
      star.flux_error = 30.0;
      star.fitted = true;
      stars.push_back(star);
    }
    for (int i = 0; i < 8; ++i) {
      SubState sub;
      sub.name = "lights/" + std::to_string(i) + ".fits";
      sub.info = &info;
      sub.usable = true;
      auto& m = sub.measured;
      m.frame = {1000, 700};
      m.quality.status = stars::QualityStatus::good;
      m.quality.stars = m.quality.fitted = 60;
      m.quality.fwhm_px = 3.0 + 0.02 * i;
      m.quality.ellipticity = 0.05;
      m.stars = stars;
      sub.match.status = align::MatchStatus::matched;
      for (std::size_t s = 0; s < stars.size(); ++s) sub.match.pairs.push_back({s, s});
      state.subs.push_back(std::move(sub));
    }
  }
  void dim(std::size_t sub, double share) {
    for (auto& star : state.subs[sub].measured.stars) star.flux *= share;
  }
};

TEST_CASE("Sound subs stay; smeared, clouded and blurred ones go with the right words") {
  Group group;
  group.state.subs[2].measured.quality.ellipticity = 0.5;
  group.dim(4, 0.3);
  group.state.subs[5].measured.quality.fwhm_px = 6.5;
  group.state.subs[6].match.status = align::MatchStatus::no_consensus;
  judge_group(group.state, {});
  const std::string words[8] = {"", "", "smeared", "", "cloud", "blurred", "no match", ""};
  for (std::size_t i = 0; i < 8; ++i) {
    INFO(i << ": " << group.state.subs[i].reason);
    CHECK(group.state.subs[i].kept == words[i].empty());
    CHECK(group.state.subs[i].reason.find(words[i]) != std::string::npos);
  }
  CHECK(group.state.subs[4].transparency == Approx(0.3).epsilon(0.02));
  CHECK(group.state.subs[4].scale.scale == Approx(1.0 / 0.3).epsilon(0.02));
}

TEST_CASE(
    "Half a night out of focus or drawn out does not set the standard, a slow change stays whole") {
  Group group;
  for (std::size_t i = 0; i < 8; ++i) {
    auto& q = group.state.subs[i].measured.quality;
    if (i < 4) q.fwhm_px = 7.0 + 0.1 * static_cast<double>(i);
    if (i >= 6) q.ellipticity = 0.45;
  }
  judge_group(group.state, {});
  for (std::size_t i = 0; i < 8; ++i) {
    CHECK(group.state.subs[i].reason.substr(0, 4) == (i < 4 ? "blur" : (i >= 6 ? "smea" : "")));
  }
  for (std::size_t i = 0; i < 8; ++i) {
    auto& q = group.state.subs[i].measured.quality;
    q.fwhm_px = 2.2 + 0.4 * static_cast<double>(i);
    q.ellipticity = 0.05 + 0.01 * static_cast<double>(i);
  }
  judge_group(group.state, {});
  for (const auto& sub : group.state.subs) CHECK(sub.kept);
}

TEST_CASE("A sub with every star twice is dropped, close pairs by chance are not taken for it") {
  Group group;
  auto& stars = group.state.subs[3].measured.stars;
  const StarList first = stars;
  CHECK_FALSE(find_double_images(first, 3.0));
  for (Star star : first) {
    star.x += 9.3;
    star.y -= 4.1;
    star.flux *= 0.4;
    stars.push_back(star);
  }
  const auto twice = find_double_images(stars, 3.0);
  REQUIRE(twice);
  CHECK(twice->distance_px == Approx(std::hypot(9.3, 4.1)));
  CHECK(twice->share == Approx(0.4));
  judge_group(group.state, {});
  for (std::size_t i = 0; i < 8; ++i) CHECK(group.state.subs[i].kept == (i != 3));
  CHECK(group.state.subs[3].reason.find("double images") != std::string::npos);
  // The same in all subs is the optics' doing: nothing would be left.
  for (auto& sub : group.state.subs) sub.measured.stars = stars;
  judge_group(group.state, {});
  for (const auto& sub : group.state.subs) CHECK(sub.kept);
  // A crowded field: 300 stars on 200 x 200 px.
  RandomStream random(9, 2, 0);
  StarList crowd;
  for (int i = 0; i < 300; ++i) {
    Star star;
    star.x = 200 * random.uniform();
    star.y = 200 * random.uniform();
    star.flux = 500.0 * std::pow(10.0, 1.5 * random.uniform());
    crowd.push_back(star);
  }
  CHECK_FALSE(find_double_images(crowd, 3.0));
}

TEST_CASE("The owner's lists and limits overrule the rules") {
  Group group;
  group.dim(4, 0.3);
  KeepLimits limits;
  limits.min_transparency = 0.1;
  limits.drop = {"lights/1.fits"};
  judge_group(group.state, limits);
  CHECK(group.state.subs[4].kept);
  CHECK(group.state.subs[1].reason == "dropped by the owner");
  limits = {};
  limits.keep_only = {"lights/4.fits", "0.fits"};
  judge_group(group.state, limits);
  for (std::size_t i = 0; i < 8; ++i) CHECK(group.state.subs[i].kept == (i == 4));
}

TEST_CASE("The record is JSON with null for what is not known, and CSV quotes its texts") {
  SessionRecord record;
  record.results.push_back({});
  SubRecord sub;
  sub.path = "lights/a \"b\",c.fits";
  sub.transform = Transform::affine(1, 0, 3.25, 0, 1, -1);
  record.subs.push_back(sub);
  record.warnings.push_back({"x", "bytes that are no UTF-8: \xff", {}});
  const auto json = nlohmann::json::parse(record_json(record));
  CHECK(json["schema"] == 1);
  CHECK(json["results"][0]["zero_point_mag"].is_null());
  CHECK(json["subs"][0]["fwhm_px"].is_null());
  CHECK(json["subs"][0]["transform"]["matrix"][0][2] == 3.25);
  CHECK(json["subs"][0]["transform"]["direction"] == "sub->reference");
  CHECK(subs_csv(record).find("\"lights/a \"\"b\"\",c.fits\"") != std::string::npos);
}

TEST_CASE("A folder is locked against a second run") {
  const Folder folder;
  const fits::FolderLock lock(folder.path());
  CHECK_THROWS_AS(fits::FolderLock(folder.path()), Error);
}

}  // namespace
}  // namespace coldframe::session
