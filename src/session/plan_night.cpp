// Dark hours of a night and when the target stands well in them.
#include <chrono>
#include <cmath>
#include <cstdio>

#include "coldframe/core/error.hpp"
#include "coldframe/session/plan.hpp"

namespace coldframe::session {
namespace {

constexpr double step_s = 300.0;
constexpr int steps_per_row = 6;

// Noon of mean solar time at the site on the evening's date.
double noon_before(const NightWish& wish) {
  int year = 0;
  int month = 0;
  int day = 0;
  char rest = 0;
  const int read = std::sscanf(wish.date.c_str(), "%4d-%2d-%2d%c", &year, &month, &day, &rest);
  const std::chrono::year_month_day date{std::chrono::year{year},
                                         std::chrono::month{static_cast<unsigned>(month)},
                                         std::chrono::day{static_cast<unsigned>(day)}};
  if (read != 3 || month < 1 || day < 1 || !date.ok()) {
    throw Error(ErrorKind::usage, "", "'" + wish.date + "' is no date",
                "write the evening's date as YYYY-MM-DD");
  }
  const auto midnight = std::chrono::sys_days{date}.time_since_epoch();
  const double utc = 86400.0 * static_cast<double>(midnight.count());
  return utc + 43200.0 - wish.site.longitude_deg * 240.0;
}

bool is_dark(const NightWish& wish, const sky::Circumstances& sky) {
  return sky.sun_altitude_deg.value_or(90.0) < -wish.sun_below_deg;
}

bool is_usable(const NightWish& wish, const sky::Circumstances& sky) {
  return is_dark(wish, sky) && wish.target &&
         sky.altitude_deg.value_or(-90.0) >= wish.least_altitude_deg;
}

}  // namespace

NightPlan plan_night(const NightWish& wish) {
  NightPlan plan;
  const double noon = noon_before(wish);
  // Rows at full half hours of UTC, whatever the longitude.
  const double first = std::ceil(noon / 1800.0) * 1800.0;
  const int steps = static_cast<int>(86400.0 / step_s);
  for (int i = 0; i < steps; ++i) {
    const double utc = first + step_s * i;
    const auto sky = sky::circumstances(utc, wish.site, wish.target);
    const bool usable = is_usable(wish, sky);
    if (is_dark(wish, sky)) plan.dark_hours += step_s / 3600.0;
    if (usable) {
      plan.usable_hours += step_s / 3600.0;
      if (!plan.first_utc_s) plan.first_utc_s = utc;
      plan.last_utc_s = utc + step_s;
      if (*sky.altitude_deg > plan.best_altitude_deg.value_or(-90.0)) {
        plan.best_altitude_deg = sky.altitude_deg;
        plan.best_utc_s = utc;
      }
    }
    if (i % steps_per_row == 0 && sky.sun_altitude_deg.value_or(90.0) < 0.0) {
      plan.rows.push_back({utc, sky, usable});
    }
    if (i == steps / 2) plan.moon_phase = sky.moon_phase;
  }
  return plan;
}

}  // namespace coldframe::session
