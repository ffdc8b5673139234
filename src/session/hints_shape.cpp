// Hints from the stars' shapes: tracking, wind, jumps, tilt, curvature, astigmatism.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <numeric>

#include "coldframe/core/statistics.hpp"
#include "hint_rules.hpp"

namespace coldframe::session::detail {
namespace {

constexpr double degree = std::numbers::pi / 180.0;

/// Lengths of the elongations and how far they agree in direction: 1 all alike, about
/// 1/sqrt(n) at random.
struct Coherence {
  std::vector<double> lengths;
  double agreement = 0.0;
};

Coherence coherence_of(const Rows& rows) {
  Coherence c;
  double x = 0.0, y = 0.0, sum = 0.0;
  for (const auto* row : rows) {
    if (!row->ellipticity || !row->position_angle_deg || row->rule == "double-images") continue;
    const double twice = 2.0 * *row->position_angle_deg * degree;
    x += *row->ellipticity * std::cos(twice);
    y += *row->ellipticity * std::sin(twice);
    sum += *row->ellipticity;
    c.lengths.push_back(*row->ellipticity);
  }
  if (sum > 0.0) c.agreement = std::hypot(x, y) / sum;
  return c;
}

/// Angle between two axes, 0 to 90 degrees.
double between_axes(double a_deg, double b_deg) {
  return std::fabs(std::remainder(a_deg - b_deg, 180.0));
}

std::string along_words(const Rows& rows, double direction_deg, HintRecord& hint) {
  std::vector<double> angles;
  for (const auto* row : rows) {
    if (row->east_deg) angles.push_back(between_axes(direction_deg, *row->east_deg));
  }
  if (angles.size() * 2 < rows.size()) {
    return "in one direction, as an error of the mount in right ascension makes it (no solution in "
           "the headers tells where east is)";
  }
  const double angle = median(angles);
  hint.evidence.emplace_back("angle_to_right_ascension_deg", angle);
  if (angle < 20.0) return "along right ascension";
  if (angle > 70.0) return "along declination (polar alignment, guiding or backlash)";
  return fmt::format("in one direction, {:.0f} degrees from right ascension", angle);
}

/// Tilt, curvature or corner shape over the rows that show them; unset with fewer than 3.
struct Field {
  std::size_t rows = 0;
  double fwhm = 0.0;
  stars::Estimate x, y, curvature, corner;
};

stars::Estimate middle(const std::vector<double>& values) {
  return {median(values),
          1.2533 * robust_sigma(values) / std::sqrt(static_cast<double>(values.size()))};
}

std::optional<Field> field_of(const Rows& rows) {
  std::vector<double> x, y, curvature, corner, fwhm;
  for (const auto* row : rows) {
    const auto& f = row->field;
    if (f.stars == 0) continue;
    x.push_back(f.tilt_px.value * std::cos(f.tilt_direction_deg * degree));
    y.push_back(f.tilt_px.value * std::sin(f.tilt_direction_deg * degree));
    curvature.push_back(f.curvature_px.value);
    corner.push_back(f.corner_elongation.value);
    fwhm.push_back(f.centre_fwhm_px);
  }
  if (fwhm.size() < 3) return std::nullopt;
  return Field{fwhm.size(), median(fwhm), middle(x), middle(y), middle(curvature), middle(corner)};
}

bool certain(double value, double error) { return std::fabs(value) > 5.0 * error; }

}  // namespace

Hint hint_tracking(const Rows& rows) {
  const Coherence c = coherence_of(rows);
  if (c.lengths.size() < 3) return std::nullopt;
  const double typical = mean(c.lengths);
  if (typical < 0.07 || c.agreement < 0.7) return std::nullopt;
  const MeanShape shape = mean_shape(rows);
  HintRecord hint{"tracking", "", typical, {}, paths_of(rows)};
  hint.evidence = {{"mean_ellipticity", typical},
                   {"direction_deg", shape.direction_deg},
                   {"agreement_of_directions", c.agreement}};
  const auto words = along_words(rows, shape.direction_deg, hint);
  hint.message = fmt::format(
      "the stars are drawn out by {:.0f}% at {:.0f} degrees in all subs, {}: look at guiding, "
      "balance and periodic error, or expose shorter",
      100.0 * typical, shape.direction_deg, words);
  return hint;
}

Hint hint_wind(const Rows& rows) {
  Coherence c = coherence_of(rows);
  if (c.lengths.size() < 6 || c.agreement > 0.55) return std::nullopt;
  const double typical = mean(c.lengths);
  const double strong = quantile_in_place(c.lengths, 0.75);
  if (strong < 0.09) return std::nullopt;
  HintRecord hint{"wind", "", typical, {}, {}};
  for (const auto* row : rows) {
    if (row->ellipticity && *row->ellipticity >= strong) hint.subs.push_back(row->path);
  }
  hint.evidence = {{"mean_ellipticity", typical},
                   {"upper_quartile_ellipticity", strong},
                   {"agreement_of_directions", c.agreement}};
  hint.message = fmt::format(
      "the stars are drawn out by {:.0f}% and more in a quarter of the subs, each in another "
      "direction: wind, a loose cable or a soft ground shook the mount; shelter it",
      100.0 * strong);
  return hint;
}

Hint hint_jumps(const Rows& rows) {
  HintRecord hint{"jumps", "", 0.0, {}, {}};
  for (const auto* row : rows) {
    if (row->rule == "double-images") hint.subs.push_back(row->path);
  }
  if (hint.subs.empty()) return std::nullopt;
  const auto count = static_cast<double>(hint.subs.size());
  hint.loss = count / static_cast<double>(rows.size());
  hint.evidence = {{"subs", count}, {"of", static_cast<double>(rows.size())}};
  hint.message = fmt::format(
      "{} of {} subs show every star twice: the mount jumped during the exposure (guide star lost, "
      "a knock, cable or gear)",
      hint.subs.size(), rows.size());
  return hint;
}

Hint hint_tilt(const Rows& rows) {
  const auto field = field_of(rows);
  if (!field) return std::nullopt;
  const double tilt = std::hypot(field->x.value, field->y.value);
  const double error =
      std::sqrt(0.5 * (field->x.error * field->x.error + field->y.error * field->y.error));
  if (tilt < 0.12 * field->fwhm || !certain(tilt, error)) return std::nullopt;
  const double angle = std::atan2(field->y.value, field->x.value) / degree;
  HintRecord hint{"tilt", "", 0.5 * tilt / field->fwhm, {}, paths_of(rows)};
  hint.evidence = {{"tilt_px", tilt},
                   {"tilt_error_px", error},
                   {"direction_deg", angle < 0.0 ? angle + 360.0 : angle},
                   {"centre_fwhm_px", field->fwhm}};
  hint.message = fmt::format(
      "the sensor is tilted or the camera hangs: stars grow by {:.2f} px (+-{:.2f}) from one edge "
      "to the other, widest towards {:.0f} degrees from +x; adjust or tighten the camera's "
      "connection",
      tilt, error, angle < 0.0 ? angle + 360.0 : angle);
  return hint;
}

Hint hint_defocus(const Rows& rows) {
  constexpr double no_seeing = 2.5;       // times the sharp subs' width
  constexpr double widest_arcsec = 10.0;  // beyond any seeing one observes in; no source
  std::vector<double> widths;
  std::vector<double> arcsec;
  for (const auto* row : rows) {
    if (row->fwhm_px) widths.push_back(*row->fwhm_px);
    if (row->fwhm_px && row->fwhm_arcsec) arcsec.push_back(*row->fwhm_arcsec);
  }
  if (widths.size() < 3) return std::nullopt;
  const double sharp = quantile_in_place(widths, 0.2);
  const bool all = arcsec.size() == widths.size() && median(arcsec) > widest_arcsec;
  HintRecord hint{"out-of-focus", "", 0.0, {}, {}};
  std::vector<double> spoilt;
  for (const auto* row : rows) {
    if (!row->fwhm_px || !(all || *row->fwhm_px > no_seeing * sharp)) continue;
    spoilt.push_back(*row->fwhm_px);
    hint.subs.push_back(row->path);
  }
  if (spoilt.empty()) return std::nullopt;
  hint.loss = static_cast<double>(spoilt.size()) / static_cast<double>(rows.size());
  hint.evidence = {{"fwhm_px", median(spoilt)}, {"sharp_fwhm_px", sharp}};
  hint.message =
      all ? fmt::format(
                "stars are {:.1f} arcsec wide, more than any seeing: out of focus; focus "
                "before the first sub",
                median(arcsec))
          : fmt::format(
                "stars of {} of {} subs are {:.1f} px wide where sharp subs have {:.1f}: "
                "out of focus; check the focuser's clutch and what moved it",
                spoilt.size(), rows.size(), median(spoilt), sharp);
  return hint;
}

Hint hint_curvature(const Rows& rows) {
  const auto field = field_of(rows);
  if (!field) return std::nullopt;
  const auto& c = field->curvature;
  if (std::fabs(c.value) < 0.15 * field->fwhm || !certain(c.value, c.error)) return std::nullopt;
  HintRecord hint{"curvature", "", std::fabs(c.value) / field->fwhm / 3.0, {}, paths_of(rows)};
  hint.evidence = {
      {"curvature_px", c.value}, {"curvature_error_px", c.error}, {"centre_fwhm_px", field->fwhm}};
  hint.message = fmt::format(
      "stars are {:.2f} px (+-{:.2f}) {} in the corners than in the centre: the field is curved; "
      "check the distance of reducer or flattener, or focus a third of the way out",
      std::fabs(c.value), c.error, c.value > 0.0 ? "wider" : "narrower");
  return hint;
}

Hint hint_astigmatism(const Rows& rows) {
  const auto field = field_of(rows);
  if (!field) return std::nullopt;
  const auto& c = field->corner;
  if (std::fabs(c.value) < 0.12 || !certain(c.value, c.error)) return std::nullopt;
  HintRecord hint{"astigmatism", "", std::fabs(c.value) / 6.0, {}, paths_of(rows)};
  hint.evidence = {{"corner_elongation", c.value}, {"corner_elongation_error", c.error}};
  hint.message = fmt::format(
      "stars in the corners are drawn out {} the radius by {:.0f}%: astigmatism or coma off the "
      "axis; check the distance of corrector, reducer or flattener",
      c.value > 0.0 ? "along" : "across", 100.0 * std::fabs(c.value));
  return hint;
}

}  // namespace coldframe::session::detail
