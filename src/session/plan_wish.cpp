// What an owner may wish of a plan, and what an earlier session knows.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/core/units.hpp"
#include "coldframe/session/plan.hpp"
#include "json_parts.hpp"
#include "record_file.hpp"

namespace coldframe::session {
namespace {

using nlohmann::json;

// Medians over the kept subs of one result.
struct Earlier {
  std::vector<const json*> subs;

  [[nodiscard]] std::optional<double> median(const char* name) const {
    std::vector<double> values;
    for (const auto* sub : subs) {
      if (const auto value = number_in(*sub, name)) values.push_back(*value);
    }
    if (values.empty()) return std::nullopt;
    const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    return *middle;
  }
};

json read_record(const std::filesystem::path& given) {
  const auto path = std::filesystem::is_directory(given) ? given / "session.json" : given;
  auto record = read_record_file(path);
  if (record["results"].empty()) {
    throw Error(ErrorKind::input, path.string(), "is no record of a session with a result",
                "name the session.json that coldframe run wrote");
  }
  return record;
}

Earlier kept_of_first(const json& record) {
  Earlier earlier;
  for (const auto& sub : record["subs"]) {
    if (sub.is_object() && sub.value("kept", false) && sub.value("result", 0) == 0) {
      earlier.subs.push_back(&sub);
    }
  }
  return earlier;
}

class Filling {
 public:
  Filling(std::string name, std::vector<std::string>& sources)
      : name_(std::move(name)), sources_(sources) {}
  void fill(std::optional<double>& slot, std::optional<double> value, std::string_view what,
            std::string_view unit) {
    if (slot || !value) return;
    slot = value;
    sources_.push_back(fmt::format("{}: {:.4g} {}, from {}", what, *value, unit, name_));
  }

 private:
  std::string name_;
  std::vector<std::string>& sources_;
};

void say_read_noise(const PlanWish& w, double sky, double seconds,
                    std::vector<std::string>& findings) {
  if (!w.read_noise_e || !(sky > 0.0) || !(seconds > 0.0)) return;
  const double rate = sky + w.dark_e_per_s;
  const double share = std::sqrt(1.0 + *w.read_noise_e * *w.read_noise_e / (rate * seconds)) - 1.0;
  const double wanted = sub_seconds(*w.read_noise_e, rate, w.read_noise_share);
  findings.push_back(fmt::format(
      "its subs of {:.0f} s: the sky gave {:.3g} e per pixel, read noise added {:.1f} % to the "
      "noise; {:.0f} % needs {:.0f} s, so {}",
      seconds, sky * seconds, 100.0 * share, 100.0 * w.read_noise_share, wanted,
      seconds > 2.0 * wanted   ? "shorter subs would lose next to nothing, save more stars from "
                                 "saturation and cost less "
                                 "when one is spoiled"
      : seconds < 0.5 * wanted ? "longer subs would go deeper in the same time"
                               : "their length was well chosen"));
}

}  // namespace

std::vector<std::string> known_from(const std::filesystem::path& path, PlanWish& wish,
                                    std::vector<std::string>& findings) {
  const auto record = read_record(path);
  const auto earlier = kept_of_first(record);
  if (earlier.subs.empty()) {
    throw Error(ErrorKind::not_enough_data, path.string(), "no sub was kept in that session",
                "name another session, or give the figures by options");
  }
  std::vector<std::string> sources;
  Filling from("the earlier session", sources);
  auto scale = earlier.median("arcsec_per_px");
  const auto arcsec = earlier.median("fwhm_arcsec");
  const auto pixels = earlier.median("fwhm_px");
  if (!scale && arcsec && pixels) scale = *arcsec / *pixels;
  // The record knows the scale, not what made it: any pair with that scale will do.
  if (scale && !wish.focal_mm) {
    const double pixel = wish.pixel_um.value_or(4.0);
    wish.pixel_um = pixel;
    wish.focal_mm = arcsec_per_radian * 1e-3 * pixel / *scale;
    sources.push_back(fmt::format(
        "focal length: {:.0f} mm with {:g} um pixels, from the earlier session's {:.4g} arcsec/px",
        *wish.focal_mm, pixel, *scale));
  }
  if (!wish.seeing_arcsec) {
    from.fill(wish.fwhm_arcsec, arcsec, "star width (FWHM)", "arcsec");
  }
  const auto& first = *earlier.subs.front();
  const bool electrons = first.value("unit", "electron") == "electron";
  const auto sky = earlier.median("sky_per_s");
  const auto seconds = earlier.median("exposure_s");
  if (electrons && !wish.sky_mag_arcsec2) from.fill(wish.sky_e_per_s, sky, "sky", "e/s per pixel");
  const auto& cameras = record.value("cameras", json::array());
  const auto camera = first.value("camera", 0);
  if (camera >= 0 && static_cast<std::size_t>(camera) < cameras.size()) {
    from.fill(wish.read_noise_e,
              number_in(cameras[static_cast<std::size_t>(camera)], "read_noise_e"), "read noise",
              "e");
  }
  const auto zero_point = number_in(record["results"].front(), "zero_point_mag");
  if (zero_point) from.fill(wish.zero_point_mag, zero_point, "zero point", "mag for 1 e/s");
  if (!electrons)
    findings.push_back("its figures are in ADU: without the gain they say nothing of photons");
  if (electrons && sky && seconds) say_read_noise(wish, *sky, *seconds, findings);
  return sources;
}

void PlanWish::validate() const {
  std::string faults;
  const auto want = [&faults](bool good, std::string_view what) {
    if (!good) faults += fmt::format("{}{}", faults.empty() ? "" : "; ", what);
  };
  const auto positive = [&want](std::optional<double> value, std::string_view name) {
    want(!value || (std::isfinite(*value) && *value > 0.0),
         fmt::format("{} must be above 0", name));
  };
  positive(aperture_mm, "the aperture");
  positive(focal_mm, "the focal length");
  positive(pixel_um, "the pixel size");
  positive(reducer, "the reducer's factor");
  positive(read_noise_e, "the read noise");
  positive(full_well_e, "the full well");
  positive(sky_e_per_s, "the sky's rate");
  positive(seeing_arcsec, "the seeing");
  positive(fwhm_arcsec, "the star width");
  positive(read_noise_share, "the share of read noise");
  positive(sub_s, "the sub length");
  positive(hours, "the hours");
  positive(area_arcsec2, "the area");
  positive(snr, "the wanted signal-to-noise");
  positive(band_nm, "the band");
  positive(throughput, "the throughput");
  want(throughput <= 1.0, "the throughput must be at most 1");
  want(binning >= 1, "the binning must be 1 or more");
  want(moffat_beta > 1.0, "the profile's beta must be above 1");
  want(pause_s >= 0.0 && dark_e_per_s >= 0.0, "pause and dark current must not be negative");
  want(obstruction_mm >= 0.0 && (!aperture_mm || obstruction_mm < *aperture_mm),
       "the obstruction must be smaller than the aperture");
  if (!faults.empty()) throw Error(ErrorKind::usage, "", faults, "see coldframe plan --help");
}

}  // namespace coldframe::session
