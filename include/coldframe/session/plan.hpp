/// \file
/// Planning a night: scale, sub length, number of subs, depth, what a reducer buys, when the target
/// stands high. Arithmetic on figures of the owner's or of an earlier session; no frames are read.
///
/// Signal-to-noise after Merline & Howell 1995 (Exp. Astr. 6, 163); noise-equivalent area after
/// King 1983 (PASP 95, 163) for a Moffat profile; star width on the sensor from seeing, diffraction
/// and pixel in quadrature of their variances.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/sky_projection.hpp"
#include "coldframe/sky/ephemeris.hpp"

namespace coldframe::session {

/// When and where to look for the target.
struct NightWish {
  std::string date;  ///< of the evening, YYYY-MM-DD, at the site's own noon to noon
  sky::Site site;
  std::optional<SkyPoint> target;
  double least_altitude_deg = 30.0;
  double sun_below_deg = 18.0;  ///< how far under the horizon the Sun must be
};

/// What the owner knows. Unset: not asked, or taken from `known_from`, or the stated default.
struct PlanWish {
  std::optional<double> aperture_mm, focal_mm, pixel_um;
  double obstruction_mm = 0.0;
  double reducer = 1.0;  ///< factor on the focal length, 0.63 shortens it
  int binning = 1;  ///< of pixels added in software or on the chip; read noise is per binned pixel
  std::optional<Size> sensor_px;
  std::optional<double> read_noise_e, full_well_e;
  double dark_e_per_s = 0.0;
  std::optional<double> zero_point_mag;  ///< magnitude of a source of 1 e/s
  double throughput = 0.5;  ///< share of photons that become electrons, without zero point
  double band_nm = 90.0;    ///< width of the filter, without zero point
  std::optional<double> sky_mag_arcsec2, sky_e_per_s;
  std::optional<double> seeing_arcsec;  ///< FWHM before telescope and pixel
  std::optional<double> fwhm_arcsec;    ///< measured width on the sensor; wins over seeing
  double moffat_beta = 3.5;
  double wavelength_nm = 550.0;

  double read_noise_share = 0.05;  ///< that read noise may add to the noise of a sub
  std::optional<double> sub_s;
  double pause_s = 0.0;         ///< between subs: read-out, dither, settling
  std::optional<double> hours;  ///< on the target, pauses included
  std::optional<double> star_mag, surface_mag_arcsec2;
  double area_arcsec2 = 100.0;  ///< over which the surface brightness is to be told
  double snr = 10.0;            ///< wanted
  std::optional<NightWish> night;

  /// Throws Error(usage) that lists every fault.
  void validate() const;
};

struct OpticsPlan {
  double focal_mm = 0.0, focal_ratio = 0.0;  ///< with the reducer; 0 = unknown
  double arcsec_per_px = 0.0;
  std::optional<double> field_width_deg, field_height_deg;  ///< exact, of a flat sensor
  std::optional<double> diffraction_fwhm_arcsec, dawes_arcsec, airy_disc_um, focus_zone_um;
  std::optional<double> fwhm_arcsec, fwhm_px;  ///< of stars as recorded
};

/// Noise of one sub per pixel.
struct SubPlan {
  double seconds = 0.0;
  double sky_e_per_s = 0.0;
  double noise_e = 0.0;
  double read_noise_share = 0.0;  ///< by which read noise lengthens the noise
  std::optional<double> saturating_mag;
};

struct DepthRow {
  double hours = 0.0;  ///< by the clock
  int subs = 0;
  std::optional<double> star_mag_5_sigma;
  std::optional<double> surface_mag_3_sigma;  ///< in `area_arcsec2`
};

/// One way to use the same telescope: with and without the reducer, or several factors.
struct ReducerRow {
  double factor = 1.0, focal_ratio = 0.0, arcsec_per_px = 0.0, field_factor = 1.0;
  double exposure_per_pixel_factor = 1.0;  ///< for extended light, relative to no reducer
  double sub_s = 0.0;                      ///< for the wished share of read noise
  double star_time_factor =
      1.0;  ///< total time for the same star, subs of one length; 1 = as before
  double surface_time_factor = 1.0;  ///< total time for the same surface brightness per arcsec^2
};

struct NightRow {
  double utc_s = 0.0;
  sky::Circumstances sky;
  bool usable = false;
};

struct NightPlan {
  std::vector<NightRow> rows;  ///< every half hour while the Sun is down
  double dark_hours = 0.0, usable_hours = 0.0;
  std::optional<double> first_utc_s, last_utc_s;  ///< of the usable time
  std::optional<double> best_utc_s, best_altitude_deg;
  double moon_phase = 0.0;
};

struct Plan {
  PlanWish wish;  ///< with everything that was filled in
  OpticsPlan optics;
  std::optional<SubPlan> sub;
  std::vector<DepthRow> depth;
  std::optional<DepthRow> star_goal, surface_goal;  ///< subs that the wanted signal-to-noise takes
  std::vector<ReducerRow> reducer;
  std::optional<NightPlan> night;
  std::vector<std::string> sources;   ///< where each figure came from
  std::vector<std::string> missing;   ///< what is not answered, and which figure would answer it
  std::vector<std::string> findings;  ///< of the earlier session: what its figures say
};

/// Electrons per second and pixel of a sky of `mag_arcsec2`.
[[nodiscard]] double sky_rate(double zero_point_mag, double mag_arcsec2,
                              double arcsec_per_px) noexcept;

/// Seconds at which read noise adds `share` to the noise of a sub: R^2 / (((1+share)^2 - 1) rate).
[[nodiscard]] double sub_seconds(double read_noise_e, double rate_e_per_s, double share) noexcept;

/// Noise-equivalent area of a Moffat profile, square pixels (King 1983).
[[nodiscard]] double moffat_noise_area(double fwhm_px, double beta) noexcept;

/// Signal-to-noise of `source_e` over `area_px` pixels with `background_e` and read noise each.
[[nodiscard]] double signal_to_noise(double source_e, double area_px, double background_e,
                                     double read_noise_e) noexcept;

/// Source rate that reaches `snr` in `subs` of `seconds`, e/s; the inverse of signal_to_noise.
[[nodiscard]] double least_source_rate(double snr, double subs, double seconds, double area_px,
                                       double rate_e_per_s, double read_noise_e) noexcept;

/// Magnitude of 1 e/s from mirror area, band and throughput, with 1008 photons/s/cm^2/angstrom for
/// magnitude 0 at 545 nm (3640 Jy; from memory).
[[nodiscard]] double zero_point_of(double aperture_mm, double obstruction_mm, double band_nm,
                                   double throughput);

/// Fills what the wish leaves open from an earlier session's record (`session.json`): scale, star
/// width, sky, read noise, sub length, zero point where it was solved. Throws Error(input).
[[nodiscard]] std::vector<std::string> known_from(const std::filesystem::path& record,
                                                  PlanWish& wish,
                                                  std::vector<std::string>& findings);

/// Throws Error(usage) when the wish contradicts itself.
[[nodiscard]] Plan make_plan(const PlanWish& wish);
[[nodiscard]] NightPlan plan_night(const NightWish& wish);

[[nodiscard]] std::string plan_text(const Plan& plan);
[[nodiscard]] std::string plan_json(const Plan& plan);

}  // namespace coldframe::session
