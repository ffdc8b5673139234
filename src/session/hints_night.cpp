// Hints from what changes in the course of a night: dew, focus, cloud, sky.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "hint_rules.hpp"

namespace coldframe::session::detail {
namespace {

using Field = std::optional<double> SubRecord::*;

bool all_have(const Rows& rows, Field field) {
  return std::all_of(rows.begin(), rows.end(), [&](const auto* row) { return row->*field; });
}

/// Seeing grows as airmass^0.6 (Fried 1966; Roddier 1981): taken out where the airmass is known.
Series widths_over(const Rows& rows, const std::vector<double>& x) {
  const bool known = all_have(rows, &SubRecord::airmass);
  Series s;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (!rows[i]->fwhm_px || rows[i]->rule == "double-images") continue;
    s.x.push_back(x[i]);
    s.y.push_back(*rows[i]->fwhm_px / (known ? std::pow(*rows[i]->airmass, 0.6) : 1.0));
  }
  return s;
}

/// Extinction of 0.2 mag per airmass (a usual green value, no source) is taken out where known.
Series transparency_over(const Rows& rows, const std::vector<double>& x) {
  const bool known = all_have(rows, &SubRecord::airmass);
  Series s;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (!rows[i]->transparency) continue;
    s.x.push_back(x[i]);
    s.y.push_back(*rows[i]->transparency *
                  (known ? std::pow(10.0, 0.08 * (*rows[i]->airmass - 1.0)) : 1.0));
  }
  return s;
}

double loss_to_best_width(std::vector<double> widths) {
  std::vector<double> copy = widths;
  const double best = quantile_in_place(copy, 0.1);
  double sum = 0.0;
  for (const double w : widths) sum += std::min(1.0, best * best / (w * w));
  return 1.0 - sum / static_cast<double>(widths.size());
}

double loss_of_light(std::vector<double> values) {
  std::vector<double> copy = values;
  const double best = quantile_in_place(copy, 0.95);
  double sum = 0.0;
  for (const double v : values) sum += std::min(1.0, v * v / (best * best));
  return 1.0 - sum / static_cast<double>(values.size());
}

/// A slow, steady fall of the light, as opposed to dips.
Trend steady_fall(const Rows& rows, const std::vector<double>& clock, bool& steady) {
  const Series light = transparency_over(rows, clock);
  const Trend trend = trend_of(light);
  steady = trend.certain && trend.change < -0.12 && trend.correlation < -0.8 &&
           trend.scatter < 0.35 * std::fabs(trend.change);
  return trend;
}

/// The width falls and rises again (or the reverse): distance from the best moment decides.
Trend trend_through_best(const Series& s, double& best_at) {
  Trend best;
  std::vector<double> x = s.x;
  for (const double q : {0.25, 0.35, 0.5, 0.65, 0.75}) {
    Series folded = s;
    const double at = quantile_in_place(x, q);
    for (double& value : folded.x) value = std::fabs(value - at);
    const Trend trend = trend_of(folded);
    if (trend.certain && trend.correlation > std::max(0.75, best.correlation)) {
      best = trend;
      best_at = at;
    }
  }
  return best;
}

bool matters(const Trend& t, double middle) {
  return t.certain && std::fabs(t.change) > 0.12 * middle && std::fabs(t.change) > 2.0 * t.scatter;
}

void say_temperature(const Rows& rows, HintRecord& hint) {
  if (!all_have(rows, &SubRecord::focus_temperature_c)) return;
  std::vector<double> temperature;
  for (const auto* row : rows) temperature.push_back(*row->focus_temperature_c);
  const auto [low, high] = std::minmax_element(temperature.begin(), temperature.end());
  if (*high - *low < 0.5) return;
  const Trend trend = trend_of(widths_over(rows, temperature));
  hint.evidence.emplace_back("focuser_temperature_range_c", *high - *low);
  if (!trend.certain) return;
  hint.evidence.emplace_back("fwhm_px_per_c", trend.slope);
  hint.message +=
      fmt::format("; the focuser's temperature went from {:.1f} to {:.1f} C, {:+.2f} px per C",
                  temperature.front(), temperature.back(), trend.slope);
}

}  // namespace

Hint hint_dew(const Rows& rows) {
  const auto clock = clock_of(rows);
  bool steady = false;
  const Trend light = steady_fall(rows, clock, steady);
  const Series widths = widths_over(rows, clock);
  const Trend width = trend_of(widths);
  if (!steady || !width.certain || width.change < 0.03 * median(widths.y)) return std::nullopt;
  HintRecord hint{"dew", "", 0.0, {}, paths_of(rows)};
  hint.loss =
      std::max(loss_of_light(transparency_over(rows, clock).y), 0.0) + loss_to_best_width(widths.y);
  hint.evidence = {{"transparency_change", light.change},
                   {"fwhm_change_px", width.change},
                   {"correlation_with_time", light.correlation}};
  hint.message = fmt::format(
      "the stars lose light steadily ({:+.0f}%) while they grow by {:.2f} px: dew or frost on the "
      "optics; use a heater or a dew shield",
      100.0 * light.change, width.change);
  return hint;
}

Hint hint_focus(const Rows& rows) {
  if (hint_dew(rows)) return std::nullopt;  // explains the growth
  const auto clock = clock_of(rows);
  const Series s = widths_over(rows, clock);
  if (s.size() < 8) return std::nullopt;
  const double middle = median(s.y);
  Trend trend = trend_of(s);
  double best_at = 0.0;
  const Trend folded = trend_through_best(s, best_at);
  const bool through = matters(folded, middle) &&
                       (!matters(trend, middle) ||
                        std::fabs(folded.correlation) > std::fabs(trend.correlation) + 0.1);
  if (!through && !matters(trend, middle)) return std::nullopt;
  if (through) trend = folded;
  HintRecord hint{"focus-drift", "", loss_to_best_width(s.y), {}, {}};
  std::vector<double> copy = s.y;
  const double wide = quantile_in_place(copy, 0.75);
  for (const auto* row : rows) {
    if (row->fwhm_px && *row->fwhm_px >= wide) hint.subs.push_back(row->path);
  }
  hint.evidence = {{"fwhm_change_px", trend.change},
                   {"fwhm_median_px", middle},
                   {"correlation", trend.correlation},
                   {"fwhm_scatter_px", trend.scatter}};
  hint.message = fmt::format(
      "the star width {} steadily by {:.2f} px ({:.0f}%) {}, far beyond its scatter of {:.2f} px: "
      "the focus drifted",
      trend.change > 0.0 ? "grew" : "fell", std::fabs(trend.change),
      100.0 * std::fabs(trend.change) / middle,
      through ? "away from its best moment" : "over the night", trend.scatter);
  say_temperature(rows, hint);
  hint.message += "; focus again every hour or with each degree";
  return hint;
}

Hint hint_cloud(const Rows& rows) {
  const auto clock = clock_of(rows);
  bool steady = false;
  static_cast<void>(steady_fall(rows, clock, steady));
  if (steady) return std::nullopt;
  HintRecord hint{"thin-cloud", "", 0.0, {}, {}};
  const Series light = transparency_over(rows, clock);
  if (light.size() < 3) return std::nullopt;
  std::vector<double> copy = light.y;
  const double best = quantile_in_place(copy, 0.9);
  double least = 1.0;
  std::size_t i = 0;  // both sides without extinction, or a low target would look clouded
  for (const auto* row : rows) {
    if (!row->transparency) continue;
    const double value = light.y[i++] / best;
    if (value + 3.0 * row->transparency_error.value_or(0.0) / best > 0.85) continue;
    hint.subs.push_back(row->path);
    least = std::min(least, value);
  }
  if (hint.subs.size() < 2 || 20 * hint.subs.size() < rows.size()) return std::nullopt;
  hint.loss = loss_of_light(light.y);
  hint.evidence = {{"subs_below_0.85", static_cast<double>(hint.subs.size())},
                   {"least_transparency", least}};
  hint.message = fmt::format(
      "thin cloud passed: {} of {} subs had less than 85% of the clear sky's light, down to "
      "{:.0f}%; they weigh less",
      hint.subs.size(), rows.size(), 100.0 * least);
  return hint;
}

Hint hint_gradient(const Rows& rows) {
  const auto clock = clock_of(rows);
  Series x, y;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (!rows[i]->gradient_x || !rows[i]->gradient_y) continue;
    x.x.push_back(clock[i]);
    x.y.push_back(*rows[i]->gradient_x);
    y.x.push_back(clock[i]);
    y.y.push_back(*rows[i]->gradient_y);
  }
  const Trend along = trend_of(x);
  const Trend up = trend_of(y);
  const double change =
      std::hypot(along.certain ? along.change : 0.0, up.certain ? up.change : 0.0);
  const double scatter = std::max(along.scatter, up.scatter);
  if (change < 0.12 || change < 3.0 * scatter) return std::nullopt;
  HintRecord hint{"gradient", "", 0.1 * change, {}, paths_of(rows)};
  hint.evidence = {{"change_share_of_sky", change},
                   {"change_x", along.change},
                   {"change_y", up.change},
                   {"scatter", scatter}};
  hint.message = fmt::format(
      "the slope of the sky changed by {:.0f}% of its level across the frame in the course of the "
      "night (moon, dawn or lights of a town); it is taken out sub by sub when subs are matched",
      100.0 * change);
  return hint;
}

Hint hint_brightening(const Rows& rows) {
  const auto clock = clock_of(rows);
  Series s;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (!rows[i]->sky_per_s || !(*rows[i]->sky_per_s > 0.0)) continue;
    s.x.push_back(clock[i]);
    s.y.push_back(std::log(*rows[i]->sky_per_s));
  }
  const Trend trend = trend_of(s);
  constexpr double least = 0.405;  // ln 1.5
  if (!trend.certain || std::fabs(trend.change) < least ||
      std::fabs(trend.change) < 3.0 * trend.scatter) {
    return std::nullopt;
  }
  const double factor = std::exp(std::fabs(trend.change));
  HintRecord hint{"sky-brightening", "", 0.5 * (1.0 - 1.0 / factor), {}, paths_of(rows)};
  hint.evidence = {{"factor", factor}, {"correlation_with_time", trend.correlation}};
  std::string cause = "moon, dawn, dusk or haze";
  const auto& edge = trend.change > 0.0 ? *rows.back() : *rows.front();
  if (edge.sun_altitude_deg && *edge.sun_altitude_deg > -18.0) {
    cause = fmt::format("twilight: the Sun stood {:.0f} degrees below the horizon",
                        -*edge.sun_altitude_deg);
    hint.evidence.emplace_back("sun_altitude_deg", *edge.sun_altitude_deg);
  } else if (edge.moon_altitude_deg && *edge.moon_altitude_deg > 0.0 && edge.moon_phase) {
    cause = fmt::format("the Moon, {:.0f}% lit, {:.0f} degrees high", 100.0 * *edge.moon_phase,
                        *edge.moon_altitude_deg);
    hint.evidence.emplace_back("moon_altitude_deg", *edge.moon_altitude_deg);
  }
  hint.message = fmt::format("the sky became {:.1f} times {} in the course of the night ({})",
                             factor, trend.change > 0.0 ? "brighter" : "darker", cause);
  return hint;
}

}  // namespace coldframe::session::detail
