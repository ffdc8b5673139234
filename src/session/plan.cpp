#include "coldframe/session/plan.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "coldframe/core/error.hpp"
#include "coldframe/core/units.hpp"

namespace coldframe::session {
namespace {

constexpr double fwhm_of_pixel = 2.354820045 * 0.288675135;  // of a box one pixel wide, by variance
constexpr std::array<double, 6> table_hours{0.5, 1.0, 2.0, 4.0, 8.0, 16.0};

double square(double x) { return x * x; }

std::optional<double> width_in_arcsec(const PlanWish& w, double scale) {
  if (w.fwhm_arcsec) return w.fwhm_arcsec;
  if (!w.seeing_arcsec) return std::nullopt;
  double variance = square(*w.seeing_arcsec);
  if (w.aperture_mm) {
    variance += square(1.028993970 * w.wavelength_nm * 1e-6 / *w.aperture_mm * arcsec_per_radian);
  }
  if (scale > 0.0) variance += square(fwhm_of_pixel * scale);
  return std::sqrt(variance);
}

double scale_of(const PlanWish& w, double reducer) {
  return pixel_scale_arcsec(*w.pixel_um * w.binning, *w.focal_mm * reducer);
}

double field_deg(int pixels, double pixel_um, double focal_mm) {
  return 2.0 * std::atan(0.5e-3 * pixels * pixel_um / focal_mm) * 180.0 / std::numbers::pi;
}

OpticsPlan plan_optics(const PlanWish& w) {
  OpticsPlan o;
  o.focal_mm = *w.focal_mm * w.reducer;
  o.arcsec_per_px = scale_of(w, w.reducer);
  if (w.sensor_px) {
    o.field_width_deg = field_deg(w.sensor_px->width, *w.pixel_um, o.focal_mm);
    o.field_height_deg = field_deg(w.sensor_px->height, *w.pixel_um, o.focal_mm);
  }
  o.fwhm_arcsec = width_in_arcsec(w, o.arcsec_per_px);
  if (o.fwhm_arcsec) o.fwhm_px = *o.fwhm_arcsec / o.arcsec_per_px;
  if (!w.aperture_mm) return o;
  o.focal_ratio = o.focal_mm / *w.aperture_mm;
  const double wave_mm = w.wavelength_nm * 1e-6;
  o.diffraction_fwhm_arcsec = 1.028993970 * wave_mm / *w.aperture_mm * arcsec_per_radian;
  o.dawes_arcsec = 116.0 / *w.aperture_mm;
  o.airy_disc_um = 2.0 * 1.219669891 * wave_mm * 1e3 * o.focal_ratio;
  o.focus_zone_um = 4.0 * 1.219669891 * wave_mm * 1e3 * square(o.focal_ratio);
  return o;
}

// Share of a star's light in the pixel at its centre: the profile's mean over that pixel.
double peak_share(double fwhm_px, double beta) {
  const double alpha = fwhm_px / (2.0 * std::sqrt(std::pow(2.0, 1.0 / beta) - 1.0));
  constexpr int steps = 8;
  double sum = 0.0;
  for (int j = 0; j < steps; ++j) {
    for (int i = 0; i < steps; ++i) {
      const double x = (i + 0.5) / steps - 0.5;
      const double y = (j + 0.5) / steps - 0.5;
      sum += std::pow(1.0 + (x * x + y * y) / square(alpha), -beta);
    }
  }
  return sum / (steps * steps) * (beta - 1.0) / (std::numbers::pi * square(alpha));
}

SubPlan plan_sub(const PlanWish& w, const OpticsPlan& o, double sky_e_per_s) {
  SubPlan s;
  s.sky_e_per_s = sky_e_per_s;
  const double rate = sky_e_per_s + w.dark_e_per_s;
  s.seconds = w.sub_s ? *w.sub_s : sub_seconds(*w.read_noise_e, rate, w.read_noise_share);
  s.noise_e = std::sqrt(rate * s.seconds + square(*w.read_noise_e));
  s.read_noise_share = s.noise_e / std::sqrt(rate * s.seconds) - 1.0;
  if (w.full_well_e && w.zero_point_mag && o.fwhm_px) {
    const double room = *w.full_well_e - rate * s.seconds;
    const double per_e = peak_share(*o.fwhm_px, w.moffat_beta) * s.seconds;
    if (room > 0.0) s.saturating_mag = *w.zero_point_mag - 2.5 * std::log10(room / per_e);
  }
  return s;
}

struct Depths {
  const PlanWish& wish;
  const OpticsPlan& optics;
  const SubPlan& sub;

  [[nodiscard]] double rate() const { return sub.sky_e_per_s + wish.dark_e_per_s; }
  [[nodiscard]] double star_area() const {
    return moffat_noise_area(*optics.fwhm_px, wish.moffat_beta);
  }
  [[nodiscard]] double patch_area() const {
    return wish.area_arcsec2 / square(optics.arcsec_per_px);
  }
  [[nodiscard]] DepthRow after(int subs) const {
    DepthRow row;
    row.subs = subs;
    row.hours = subs * (sub.seconds + wish.pause_s) / 3600.0;
    if (!wish.zero_point_mag) return row;
    if (optics.fwhm_px) {
      const double least =
          least_source_rate(5.0, subs, sub.seconds, star_area(), rate(), *wish.read_noise_e);
      row.star_mag_5_sigma = *wish.zero_point_mag - 2.5 * std::log10(least);
    }
    const double least =
        least_source_rate(3.0, subs, sub.seconds, patch_area(), rate(), *wish.read_noise_e);
    row.surface_mag_3_sigma = *wish.zero_point_mag - 2.5 * std::log10(least / wish.area_arcsec2);
    return row;
  }
  // Signal-to-noise grows with the root of the number of subs, all being alike.
  [[nodiscard]] DepthRow for_goal(double source_e_per_s, double area) const {
    const double one = signal_to_noise(source_e_per_s * sub.seconds, area, rate() * sub.seconds,
                                       *wish.read_noise_e);
    return after(static_cast<int>(std::min(1e9, std::ceil(square(wish.snr / one) - 1e-9))));
  }
};

double electrons_per_s(double zero_point, double magnitude) {
  return std::pow(10.0, 0.4 * (zero_point - magnitude));
}

void plan_depth(Plan& plan) {
  const auto& w = plan.wish;
  const Depths depths{w, plan.optics, *plan.sub};
  const double cycle = plan.sub->seconds + w.pause_s;
  std::vector<double> hours(table_hours.begin(), table_hours.end());
  if (w.hours) hours = {*w.hours};
  for (const double h : hours) {
    const int subs = static_cast<int>(std::floor(h * 3600.0 / cycle + 1e-9));
    if (subs > 0) plan.depth.push_back(depths.after(subs));
  }
  if (!w.zero_point_mag) return;
  if (w.star_mag && plan.optics.fwhm_px) {
    plan.star_goal =
        depths.for_goal(electrons_per_s(*w.zero_point_mag, *w.star_mag), depths.star_area());
  }
  if (w.surface_mag_arcsec2) {
    plan.surface_goal =
        depths.for_goal(electrons_per_s(*w.zero_point_mag, *w.surface_mag_arcsec2) * w.area_arcsec2,
                        depths.patch_area());
  }
}

// The same telescope, sky and sub length with another factor; time for equal noise.
ReducerRow reduced(const Plan& plan, double factor, const ReducerRow* plain) {
  const auto& w = plan.wish;
  ReducerRow row;
  row.factor = factor;
  row.arcsec_per_px = scale_of(w, factor);
  row.focal_ratio = w.aperture_mm ? *w.focal_mm * factor / *w.aperture_mm : 0.0;
  row.field_factor = 1.0 / square(factor);
  row.exposure_per_pixel_factor = square(factor);
  if (!plan.sub) return row;
  const double sky = plan.sub->sky_e_per_s * square(row.arcsec_per_px / plan.optics.arcsec_per_px);
  const double rate = sky + w.dark_e_per_s;
  row.sub_s = sub_seconds(*w.read_noise_e, rate, w.read_noise_share);
  const double per_px = rate + square(*w.read_noise_e) / plan.sub->seconds;
  // Absolute here; made relative to the row without reducer below.
  row.surface_time_factor = per_px / square(row.arcsec_per_px);
  if (const auto width = width_in_arcsec(w, row.arcsec_per_px)) {
    row.star_time_factor = per_px * moffat_noise_area(*width / row.arcsec_per_px, w.moffat_beta);
  }
  if (plain != nullptr) {
    row.surface_time_factor /= plain->surface_time_factor;
    row.star_time_factor /= plain->star_time_factor;
  }
  return row;
}

void plan_reducer(Plan& plan) {
  const auto absolute = reduced(plan, 1.0, nullptr);
  plan.reducer.push_back(reduced(plan, 1.0, &absolute));
  if (plan.wish.reducer != 1.0) {
    plan.reducer.push_back(reduced(plan, plan.wish.reducer, &absolute));
  }
}

std::optional<double> sky_of(Plan& plan) {
  const auto& w = plan.wish;
  if (w.sky_e_per_s) return w.sky_e_per_s;
  if (w.sky_mag_arcsec2 && w.zero_point_mag) {
    return sky_rate(*w.zero_point_mag, *w.sky_mag_arcsec2, plan.optics.arcsec_per_px);
  }
  plan.missing.push_back(w.sky_mag_arcsec2 ? "sub length and depth: give the aperture or the zero "
                                             "point, to turn the sky's magnitude "
                                             "into electrons"
                                           : "sub length and depth: give the sky as mag/arcsec^2 "
                                             "or as e/s/px, or an earlier session");
  return std::nullopt;
}

void fill_zero_point(Plan& plan) {
  auto& w = plan.wish;
  if (w.zero_point_mag) {
    plan.sources.push_back(
        fmt::format("zero point: {:.2f} mag gives 1 e/s, as given", *w.zero_point_mag));
    return;
  }
  if (!w.aperture_mm) {
    plan.missing.push_back("depth in magnitudes: give the aperture or the zero point");
    return;
  }
  w.zero_point_mag = zero_point_of(*w.aperture_mm, w.obstruction_mm, w.band_nm, w.throughput);
  plan.sources.push_back(
      fmt::format("zero point: {:.2f} mag gives 1 e/s, estimated from {:g} mm aperture, {:g} nm "
                  "band and {:g} of "
                  "the photons recorded; good to a few tenths, a solved result knows better",
                  *w.zero_point_mag, *w.aperture_mm, w.band_nm, w.throughput));
}

}  // namespace

double sky_rate(double zero_point_mag, double mag_arcsec2, double arcsec_per_px) noexcept {
  return std::pow(10.0, 0.4 * (zero_point_mag - mag_arcsec2)) * arcsec_per_px * arcsec_per_px;
}

double sub_seconds(double read_noise_e, double rate_e_per_s, double share) noexcept {
  return read_noise_e * read_noise_e / ((share * (2.0 + share)) * rate_e_per_s);
}

double moffat_noise_area(double fwhm_px, double beta) noexcept {
  const double alpha = fwhm_px / (2.0 * std::sqrt(std::pow(2.0, 1.0 / beta) - 1.0));
  return std::numbers::pi * alpha * alpha * (2.0 * beta - 1.0) / square(beta - 1.0);
}

double signal_to_noise(double source_e, double area_px, double background_e,
                       double read_noise_e) noexcept {
  return source_e / std::sqrt(source_e + area_px * (background_e + read_noise_e * read_noise_e));
}

double least_source_rate(double snr, double subs, double seconds, double area_px,
                         double rate_e_per_s, double read_noise_e) noexcept {
  const double noise2 = subs * area_px * (rate_e_per_s * seconds + read_noise_e * read_noise_e);
  const double electrons = 0.5 * snr * (snr + std::sqrt(snr * snr + 4.0 * noise2));
  return electrons / (subs * seconds);
}

double zero_point_of(double aperture_mm, double obstruction_mm, double band_nm, double throughput) {
  const double area_cm2 =
      0.25e-2 * std::numbers::pi * (square(aperture_mm) - square(obstruction_mm));
  return 2.5 * std::log10(1007.97 * area_cm2 * band_nm * 10.0 * throughput);
}

Plan make_plan(const PlanWish& wish) {
  wish.validate();
  Plan plan;
  plan.wish = wish;
  if (wish.night) plan.night = plan_night(*wish.night);
  if (!wish.night && !wish.focal_mm && !wish.pixel_um) {
    throw Error(ErrorKind::usage, "", "there is nothing to plan with",
                "give focal length and pixel size, an earlier session (--from) or a --night");
  }
  if (!wish.focal_mm || !wish.pixel_um) {
    plan.missing.push_back("scale, sub length and depth: give focal length and pixel size");
    return plan;
  }
  plan.optics = plan_optics(wish);
  fill_zero_point(plan);
  if (!plan.optics.fwhm_px) {
    plan.missing.push_back("depth for stars: give the seeing or a measured star width");
  }
  const auto sky = sky_of(plan);
  if (!wish.read_noise_e) {
    plan.missing.push_back(
        "sub length and depth: give the camera's read noise (coldframe camera measures it)");
  }
  if (sky && wish.read_noise_e) {
    plan.sub = plan_sub(plan.wish, plan.optics, *sky);
    plan_depth(plan);
  }
  plan_reducer(plan);
  return plan;
}

}  // namespace coldframe::session
