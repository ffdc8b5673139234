// Hints from where the subs lie: dithering, field rotation; and from the clock.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/statistics.hpp"
#include "hint_rules.hpp"

namespace coldframe::session::detail {
namespace {

/// Steps of the sky on the sensor from the middle of the subs on the same side of the mount.
struct Positions {
  std::vector<double> clock, x, y, turn_deg;
};

Positions positions_of(const Rows& rows, bool flipped) {
  const auto clock = clock_of(rows);
  Positions p;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (!rows[i]->kept || !rows[i]->transform) continue;
    const auto& m = rows[i]->transform->matrix;
    if ((m[0] < 0.0) != flipped) continue;
    p.clock.push_back(clock[i]);
    p.x.push_back(m[2]);
    p.y.push_back(m[5]);
    double turn = std::atan2(m[3], m[0]) * 180.0 / std::numbers::pi;
    if (flipped) turn = std::remainder(turn - 180.0, 360.0);
    p.turn_deg.push_back(turn);
  }
  return p;
}

/// Spread about a straight drift.
double spread_about_drift(const std::vector<double>& clock, const std::vector<double>& values,
                          double& drift) {
  drift = 0.0;
  const Trend trend = trend_of({clock, values});
  std::vector<double> rest = values;
  if (trend.certain) {
    drift = trend.change;
    for (std::size_t i = 0; i < rest.size(); ++i) rest[i] -= trend.slope * clock[i];
  }
  const auto [low, high] = std::minmax_element(rest.begin(), rest.end());
  return std::max(rest.size() > 3 ? 2.0 * robust_sigma(rest) : 0.0, 0.25 * (*high - *low));
}

}  // namespace

Hint hint_dither(const Rows& rows) {
  double spread = 0.0;
  double drift = 0.0;
  std::size_t used = 0;
  for (const bool flipped : {false, true}) {
    const Positions p = positions_of(rows, flipped);
    if (p.x.size() < 3) continue;
    // Rotation moves the corner that the transform's shift refers to.
    const auto [low, high] = std::minmax_element(p.turn_deg.begin(), p.turn_deg.end());
    if (*high - *low > 0.05) return std::nullopt;
    double dx = 0.0;
    double dy = 0.0;
    spread = std::max(
        {spread, spread_about_drift(p.clock, p.x, dx), spread_about_drift(p.clock, p.y, dy)});
    drift = std::max(drift, std::hypot(dx, dy));
    used += p.x.size();
  }
  if (used < 3 || spread > 0.8) return std::nullopt;
  HintRecord hint{"no-dither", "", drift > 5.0 ? 0.06 : 0.1, {}, paths_of(rows)};
  hint.evidence = {{"spread_px", spread}, {"drift_px", drift}};
  hint.message =
      drift > 5.0
          ? fmt::format(
                "the field only drifted ({:.0f} px in one direction) and was never shifted "
                "at random (spread {:.1f} px): what is fixed on the sensor is drawn into "
                "streaks; dither by 5 to 20 px",
                drift, spread)
          : fmt::format(
                "the subs were not dithered (spread {:.1f} px): hot pixels and the noise of "
                "the masters stay where they are; shift by 5 to 20 px between subs",
                spread);
  return hint;
}

Hint hint_rotation(const Rows& rows) {
  Hint found;
  for (const bool flipped : {false, true}) {
    const Positions p = positions_of(rows, flipped);
    const Trend trend = trend_of({p.clock, p.turn_deg});
    constexpr double least_deg = 0.3;
    if (!trend.certain || std::fabs(trend.change) < least_deg ||
        std::fabs(trend.change) < 3.0 * trend.scatter) {
      continue;
    }
    if (found && found->evidence.front().second >= std::fabs(trend.change)) continue;
    HintRecord hint{"field-rotation", "", 0.0, {}, paths_of(rows)};
    hint.loss = std::min(0.5, std::fabs(trend.change) * std::numbers::pi / 180.0);
    hint.evidence = {{"turn_deg", std::fabs(trend.change)}, {"scatter_deg", trend.scatter}};
    hint.message = fmt::format(
        "the field turned steadily by {:.2f} degrees: polar alignment is off, or the mount is "
        "an alt-azimuth one without a rotator; corners are covered by fewer subs",
        std::fabs(trend.change));
    found = std::move(hint);
  }
  return found;
}

Hint hint_daylight(const Rows& rows) {
  HintRecord hint{"daylight", "", 0.0, {}, {}};
  double highest = -90.0;
  for (const auto* row : rows) {
    if (!row->sun_altitude_deg || *row->sun_altitude_deg < -4.0 || row->stars.value_or(0) < 10)
      continue;
    hint.subs.push_back(row->path);
    highest = std::max(highest, *row->sun_altitude_deg);
  }
  if (hint.subs.empty()) return std::nullopt;
  hint.evidence = {{"sun_altitude_deg", highest}};
  hint.message = fmt::format(
      "by the headers' time and place {} subs with stars were taken by daylight (Sun at {:+.0f} "
      "degrees): the clock is not UTC, or the site's cards are wrong",
      hint.subs.size(), highest);
  return hint;
}

}  // namespace coldframe::session::detail
