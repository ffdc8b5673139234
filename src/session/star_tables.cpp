#include "star_tables.hpp"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

namespace coldframe::session {
namespace {

struct StarColumn {
  const char* name;   ///< in CSV and JSON
  const char* title;  ///< in FITS
  const char* unit;
  double Star::*member;
  bool of_a_fit = false;  ///< unknown unless the star's own shape was fitted
};

constexpr StarColumn columns[] = {{"x", "X", "pix", &Star::x},
                                  {"y", "Y", "pix", &Star::y},
                                  {"x_error", "X_ERR", "pix", &Star::x_error},
                                  {"y_error", "Y_ERR", "pix", &Star::y_error},
                                  {"flux", "FLUX", "", &Star::flux},
                                  {"flux_error", "FLUX_ERR", "", &Star::flux_error},
                                  {"snr", "SNR", "", &Star::snr},
                                  {"peak", "PEAK", "", &Star::peak},
                                  {"sky", "SKY", "", &Star::sky},
                                  {"fwhm_px", "FWHM", "pix", &Star::fwhm_px},
                                  {"fwhm_error_px", "FWHM_ERR", "pix", &Star::fwhm_error_px, true},
                                  {"fwhm_major_px", "MAJOR", "pix", &Star::fwhm_major_px},
                                  {"fwhm_minor_px", "MINOR", "pix", &Star::fwhm_minor_px},
                                  {"ellipticity", "ELLIPTICITY", "", &Star::ellipticity},
                                  {"angle_deg", "ANGLE", "deg", &Star::angle_deg},
                                  {"beta", "BETA", "", &Star::beta},
                                  {"chi2_per_dof", "CHI2", "", &Star::chi2_per_dof}};

double value_of(const Star& star, const StarColumn& column) {
  return column.of_a_fit && !star.fitted ? std::nan("") : star.*column.member;
}

}  // namespace

fits::Table stars_table(const StarList& stars) {
  fits::Table table;
  table.name = "STARS";
  for (const auto& column : columns) {
    const bool place = column.member == &Star::x || column.member == &Star::y;
    std::vector<double> values;
    for (const auto& star : stars) values.push_back(value_of(star, column) + (place ? 1.0 : 0.0));
    table.columns.push_back({column.title, column.unit, std::move(values)});
  }
  std::vector<std::int32_t> fitted, saturated;
  std::vector<std::string> kind;
  for (const auto& star : stars) {
    fitted.push_back(star.fitted ? 1 : 0);
    saturated.push_back(star.kind == StarClass::saturated ? 1 : 0);
    kind.emplace_back(to_string(star.kind));
  }
  table.columns.push_back({"FITTED", "", std::move(fitted)});
  table.columns.push_back({"SATURATED", "", std::move(saturated)});
  table.columns.push_back({"CLASS", "", std::move(kind)});
  return table;
}

std::string stars_csv(const StarList& stars) {
  std::string text;
  for (const auto& column : columns) text += fmt::format("{},", column.name);
  text += "fitted,class\n";
  for (const auto& star : stars) {
    for (const auto& column : columns) {
      const double value = value_of(star, column);
      if (std::isfinite(value)) text += fmt::format("{:.8g}", value);
      text += ',';
    }
    text += fmt::format("{},{}\n", star.fitted ? "yes" : "no", to_string(star.kind));
  }
  return text;
}

std::string stars_json(const StarList& stars) {
  auto rows = nlohmann::ordered_json::array();
  for (const auto& star : stars) {
    nlohmann::ordered_json row;
    for (const auto& column : columns) {
      const double value = value_of(star, column);
      row[column.name] =
          std::isfinite(value) ? nlohmann::ordered_json(value) : nlohmann::ordered_json(nullptr);
    }
    row["fitted"] = star.fitted;
    row["class"] = to_string(star.kind);
    rows.push_back(std::move(row));
  }
  return rows.dump(1) + "\n";
}

}  // namespace coldframe::session
