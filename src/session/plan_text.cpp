// A plan in words: every figure with what it means and where it came from.
#include <fmt/format.h>

#include <chrono>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/session/plan.hpp"

namespace coldframe::session {
namespace {

std::string clock_of(double utc_s) {
  const auto minutes = static_cast<long long>(std::floor(utc_s / 60.0 + 0.5)) % 1440;
  return fmt::format("{:02}:{:02}", minutes / 60, minutes % 60);
}

void add(std::string& text, std::string_view name, const std::string& what) {
  text += fmt::format("{:<11}{}\n", name, what);
}

std::string sampling_words(double fwhm_px) {
  if (fwhm_px < 1.7) {
    return "coarsely sampled: dither, and drizzle may sharpen";
  }
  if (fwhm_px > 5.0) return "finely sampled: binning would lose nothing but read noise";
  return "well sampled";
}

void optics_text(std::string& text, const Plan& plan) {
  const auto& o = plan.optics;
  if (o.arcsec_per_px <= 0.0) return;
  add(text, "Optics",
      fmt::format("{:.0f} mm focal length{}: {:.3f} arcsec per pixel", o.focal_mm,
                  o.focal_ratio > 0.0 ? fmt::format(", f/{:.2f}", o.focal_ratio) : "",
                  o.arcsec_per_px));
  if (o.field_width_deg) {
    add(text, "",
        fmt::format("field {:.2f} x {:.2f} degrees", *o.field_width_deg, *o.field_height_deg));
  }
  if (o.diffraction_fwhm_arcsec) {
    add(text, "",
        fmt::format(
            "diffraction: FWHM {:.2f} arcsec, double stars apart from {:.2f} arcsec (Dawes)",
            *o.diffraction_fwhm_arcsec, *o.dawes_arcsec));
    add(text, "",
        fmt::format("focus good within {:.0f} um (Airy disc {:.1f} um)", *o.focus_zone_um,
                    *o.airy_disc_um));
  }
  if (o.fwhm_px) {
    add(text, "",
        fmt::format("stars {:.2f} arcsec = {:.2f} px wide on the sensor: {}", *o.fwhm_arcsec,
                    *o.fwhm_px, sampling_words(*o.fwhm_px)));
  }
}

void sub_text(std::string& text, const Plan& plan) {
  if (!plan.sub) return;
  const auto& s = *plan.sub;
  add(text, "Sub",
      fmt::format("{:.4g} s: sky {:.3g} e/s per pixel, noise {:.3g} e; read noise of {:.3g} e adds "
                  "{:.1f} %",
                  s.seconds, s.sky_e_per_s, s.noise_e, *plan.wish.read_noise_e,
                  100.0 * s.read_noise_share));
  if (s.saturating_mag) {
    add(text, "",
        fmt::format("stars brighter than about {:.1f} mag saturate; short subs for their cores "
                    "combine with these",
                    *s.saturating_mag));
  } else if (plan.wish.full_well_e && plan.wish.zero_point_mag && plan.optics.fwhm_px) {
    add(text, "", "the sky alone fills the pixels in this time: make the subs shorter");
  }
}

std::string optional_mag(const std::optional<double>& value) {
  return value ? fmt::format("{:.2f}", *value) : "-";
}

void depth_text(std::string& text, const Plan& plan) {
  if (plan.depth.empty()) return;
  text += fmt::format("\n{:<11}{:>8}{:>8}  {:>18}  {:>24}\n", "Depth", "hours", "subs",
                      "star at 5 sigma",
                      fmt::format("{:g} sq. arcsec at 3 sigma", plan.wish.area_arcsec2));
  for (const auto& row : plan.depth) {
    text +=
        fmt::format("{:<11}{:>8.2f}{:>8}  {:>14} mag  {:>13} mag/sq.''\n", "", row.hours, row.subs,
                    optional_mag(row.star_mag_5_sigma), optional_mag(row.surface_mag_3_sigma));
  }
  add(text, "", "Twice the depth in signal-to-noise takes four times the hours (+0.75 mag).");
  const auto goal = [&](const std::optional<DepthRow>& row, const std::string& what) {
    if (!row) return;
    add(text, "Goal",
        fmt::format("{} at signal-to-noise {:g}: {} subs, {:.2f} hours", what, plan.wish.snr,
                    row->subs, row->hours));
  };
  if (plan.star_goal) goal(plan.star_goal, fmt::format("a star of {:g} mag", *plan.wish.star_mag));
  if (plan.surface_goal) {
    goal(plan.surface_goal, fmt::format("{:g} mag/sq. arcsec over {:g} sq. arcsec",
                                        *plan.wish.surface_mag_arcsec2, plan.wish.area_arcsec2));
  }
}

void reducer_text(std::string& text, const Plan& plan) {
  if (plan.reducer.size() < 2) return;
  text += fmt::format("\n{:<11}{:>8}{:>8}{:>10}{:>8}{:>12}{:>10}{:>10}\n", "Reducer", "factor",
                      "f/", "''/px", "field", "e per px", "star", "surface");
  for (const auto& r : plan.reducer) {
    text +=
        fmt::format("{:<11}{:>8.2f}{:>8}{:>10.3f}{:>7.2f}x{:>11.2f}x{:>9.2f}x{:>9.2f}x\n", "",
                    r.factor, r.focal_ratio > 0.0 ? fmt::format("{:.1f}", r.focal_ratio) : "-",
                    r.arcsec_per_px, r.field_factor, 1.0 / r.exposure_per_pixel_factor,
                    plan.sub ? r.star_time_factor : 1.0, plan.sub ? r.surface_time_factor : 1.0);
  }
  text +=
      "           'e per px': light of extended objects in each pixel, which grows with the focal\n"
      "           ratio's square. 'star', 'surface': hours for the same signal-to-noise of a star\n"
      "           and of a patch of sky. They hardly change: the mirror gathers the light, the\n"
      "           reducer only spreads it over fewer pixels. It buys field and less read noise.\n";
}

std::string cell(const std::optional<double>& value, const char* form) {
  return value ? fmt::format(fmt::runtime(form), *value) : "-";
}

void night_text(std::string& text, const Plan& plan) {
  if (!plan.night) return;
  const auto& n = *plan.night;
  const auto& wish = *plan.wish.night;
  text += fmt::format("\n{:<11}{} (UTC): {:.1f} hours with the Sun {:g} degrees down", "Night",
                      printable(wish.date), n.dark_hours, wish.sun_below_deg);
  if (wish.target) {
    text += n.first_utc_s
                ? fmt::format(
                      ";\n           {:.1f} of them with the target above {:g} degrees, {} to "
                      "{}, highest {:.0f} at {}",
                      n.usable_hours, wish.least_altitude_deg, clock_of(*n.first_utc_s),
                      clock_of(*n.last_utc_s), *n.best_altitude_deg, clock_of(*n.best_utc_s))
                : fmt::format(";\n           the target never stands above {:g} degrees in them",
                              wish.least_altitude_deg);
  }
  text += fmt::format("\n           Moon {:.0f} % lit\n", 100.0 * n.moon_phase);
  text += fmt::format("{:<11}{:>6}{:>8}{:>9}{:>9}{:>8}{:>12}\n", "", "time", "Sun", "target",
                      "airmass", "Moon", "from Moon");
  for (const auto& row : n.rows) {
    text +=
        fmt::format("{:<11}{:>6}{:>8}{:>9}{:>9}{:>8}{:>12}  {}\n", "", clock_of(row.utc_s),
                    cell(row.sky.sun_altitude_deg, "{:.0f}"), cell(row.sky.altitude_deg, "{:.0f}"),
                    cell(row.sky.airmass, "{:.2f}"), cell(row.sky.moon_altitude_deg, "{:.0f}"),
                    cell(row.sky.moon_separation_deg, "{:.0f}"), row.usable ? "usable" : "");
  }
}

}  // namespace

std::string plan_text(const Plan& plan) {
  std::string text;
  optics_text(text, plan);
  sub_text(text, plan);
  for (const auto& finding : plan.findings) add(text, "Earlier", printable(finding));
  depth_text(text, plan);
  reducer_text(text, plan);
  night_text(text, plan);
  text += "\n";
  for (const auto& source : plan.sources) add(text, "Source", printable(source));
  for (const auto& missing : plan.missing) add(text, "Open", printable(missing));
  add(text, "Safety",
      "Never point at or near the Sun without a certified filter over the whole front");
  add(text, "",
      "opening; take twilight flats away from it, after it has set. Mind local rules for");
  add(text, "", "laser pointers, and keep mains power off dew-wet ground.");
  return text;
}

}  // namespace coldframe::session
