// Reading one side of a comparison from what `run` left.
#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <variant>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/session/compare.hpp"
#include "json_parts.hpp"
#include "record_file.hpp"

namespace coldframe::session {
namespace {

using nlohmann::json;

std::string text(const json& object, const char* name) {
  const auto found = object.find(name);
  return found != object.end() && found->is_string() ? found->get<std::string>() : "";
}

// Which of the record's results: the one named, the one of the filter, or the first that is there.
std::size_t choose(const json& record, const std::string& file, const std::string& filter,
                   const std::filesystem::path& path) {
  const auto& results = record["results"];
  for (std::size_t i = 0; i < results.size(); ++i) {
    const auto own = text(results[i], "path");
    if (own.empty() || (!file.empty() && own != file)) continue;
    if (!filter.empty() && text(results[i], "filter") != filter) continue;
    return i;
  }
  throw Error(ErrorKind::input, path.string(),
              filter.empty() ? "holds no result" : "holds no result of filter " + filter,
              "see its session.json");
}

std::vector<double> column(const fits::Table& table, const char* name) {
  const auto* found = table.find(name);
  if (found == nullptr) return {};
  if (const auto* values = std::get_if<std::vector<double>>(&found->data)) return *values;
  if (const auto* whole = std::get_if<std::vector<std::int32_t>>(&found->data)) {
    return {whole->begin(), whole->end()};
  }
  return {};
}

StarList read_stars(const std::filesystem::path& path, double seconds) {
  const auto table = fits::read_table(path, "STARS");
  const auto x = column(table, "X"), y = column(table, "Y");
  const auto flux = column(table, "FLUX"), error = column(table, "FLUX_ERR");
  const auto width = column(table, "FWHM"), saturated = column(table, "SATURATED");
  StarList stars;
  for (std::size_t i = 0; i < x.size(); ++i) {
    Star star;
    star.x = x[i] - 1.0;
    star.y = y.at(i) - 1.0;
    star.flux = flux.at(i) / seconds;
    star.flux_error = error.at(i) / seconds;
    star.snr = star.flux_error > 0.0 ? star.flux / star.flux_error : 0.0;
    star.fwhm_px = width.at(i);
    star.kind = saturated.at(i) > 0.0 ? StarClass::saturated : StarClass::star;
    stars.push_back(star);
  }
  return stars;
}

void add_subs(const json& record, std::size_t result, Setup& setup) {
  for (const auto& sub : record["subs"]) {
    if (sub.value("result", 0) != static_cast<int>(result)) continue;
    ++setup.subs;
    if (!sub.value("kept", false)) continue;
    ++setup.kept;
    if (const auto v = number_in(sub, "fwhm_px")) setup.sub_fwhm_px.push_back(*v);
    if (const auto v = number_in(sub, "sky_per_s")) setup.sub_sky_per_s.push_back(*v);
    if (const auto v = number_in(sub, "ellipticity")) setup.sub_ellipticity.push_back(*v);
    const auto arcsec = number_in(sub, "fwhm_arcsec");
    const auto px = number_in(sub, "fwhm_px");
    // On another canvas the result's pixels are not the subs'.
    if (arcsec && px && setup.arcsec_per_px) {
      setup.sub_scale = *arcsec / *px / *setup.arcsec_per_px;
    }
  }
}

}  // namespace

Setup load_setup(const std::filesystem::path& path, const std::string& filter) {
  if (!std::filesystem::exists(path)) {
    throw Error(ErrorKind::input, path.string(), "is not there",
                "name a folder that coldframe run has filled, or one of its results");
  }
  const bool folder = std::filesystem::is_directory(path);
  const auto base = folder ? path : path.parent_path();
  const bool one_result = !folder && path.extension() != ".json";
  const auto record = read_record_file(one_result || folder ? base / "session.json" : path);
  const auto chosen = choose(record, one_result ? path.filename().string() : "", filter, path);
  const auto& row = record["results"][chosen];
  Setup setup;
  setup.result = base / text(row, "path");
  setup.name = fmt::format("{}, {}", folder ? path.string() : base.string(), text(row, "path"));
  setup.filter = text(row, "filter");
  setup.unit = text(row, "unit");
  setup.exposure_s = number_in(row, "exposure_s").value_or(0.0);
  setup.noise_correlation = number_in(row, "noise_correlation").value_or(1.0);
  setup.fwhm_px = number_in(row, "fwhm_px").value_or(0.0);
  const auto arcsec = number_in(row, "fwhm_arcsec");
  if (arcsec && setup.fwhm_px > 0.0) setup.arcsec_per_px = *arcsec / setup.fwhm_px;
  setup.zero_point_mag = number_in(row, "zero_point_mag");
  setup.limiting_mag = number_in(row, "limiting_mag");
  const auto seconds = fits::read_header(setup.result, 0).real("EXPTIME").value_or(0.0);
  const auto noise = number_in(row, "noise_per_px");
  if (!(seconds > 0.0) || !(setup.exposure_s > 0.0) || !noise) {
    throw Error(ErrorKind::not_enough_data, setup.result.string(),
                "has no exposure time or no noise: speeds cannot be told",
                "give the lights their EXPTIME (run --supply EXPTIME=...)");
  }
  setup.noise_per_s = *noise / seconds;
  const auto flat = text(row, "flat_sky_path");
  setup.picture = flat.empty() ? setup.result : base / flat;
  setup.stars = read_stars(setup.result, seconds);
  add_subs(record, chosen, setup);
  return setup;
}

}  // namespace coldframe::session
