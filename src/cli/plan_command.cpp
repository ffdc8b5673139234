#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "coldframe/session/plan.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  session::PlanWish wish;
  std::string from;
  std::vector<int> sensor;
  std::vector<double> site, target;
  std::string night;
  double least_altitude = 30.0, sun_below = 18.0;
};

session::PlanWish wish_of(const Options& o) {
  auto wish = o.wish;
  if (!o.sensor.empty()) wish.sensor_px = Size{o.sensor.at(0), o.sensor.at(1)};
  if (o.night.empty() != o.site.empty()) {
    throw Error(ErrorKind::usage, "", "--night and --site belong together",
                "give the evening's date and LATITUDE LONGITUDE (north and east positive)");
  }
  if (o.night.empty()) return wish;
  session::NightWish night;
  night.date = o.night;
  night.site = {o.site.at(0), o.site.at(1)};
  if (!o.target.empty()) night.target = SkyPoint{o.target.at(0), o.target.at(1)};
  night.least_altitude_deg = o.least_altitude;
  night.sun_below_deg = o.sun_below;
  wish.night = night;
  return wish;
}

int execute(const Options& o) {
  auto wish = wish_of(o);
  std::vector<std::string> sources;
  std::vector<std::string> findings;
  if (!o.from.empty()) sources = session::known_from(o.from, wish, findings);
  auto plan = session::make_plan(wish);
  plan.findings = findings;
  plan.sources.insert(plan.sources.begin(), sources.begin(), sources.end());
  if (o.common.json) {
    print(session::plan_json(plan));
  } else if (!o.common.quiet) {
    print(session::plan_text(plan));
  }
  return 0;
}

void add_optics(CLI::App& app, Options& o) {
  auto& w = o.wish;
  const auto* group = "Telescope and camera";
  const auto option = [&](const char* name, auto& slot, const char* help) {
    app.add_option(name, slot, help)->group(group);
  };
  option("--aperture", w.aperture_mm, "Free aperture, mm");
  option("--obstruction", w.obstruction_mm, "Diameter of the central obstruction, mm");
  option("--focal-length", w.focal_mm, "Focal length without reducer, mm");
  option("--reducer", w.reducer, "Factor of a focal reducer, such as 0.63");
  option("--pixel", w.pixel_um, "Pixel size, um");
  option("--bin", w.binning, "Pixels added along each axis");
  app.add_option("--sensor", o.sensor, "Width and height of the sensor, px")
      ->expected(2)
      ->group(group);
  option("--read-noise", w.read_noise_e, "Read noise, electrons");
  option("--full-well", w.full_well_e, "Electrons at which a pixel saturates");
  option("--dark-current", w.dark_e_per_s, "Dark current, e/s per pixel");
  option("--zero-point", w.zero_point_mag, "Magnitude of a source that gives 1 e/s");
  option("--throughput", w.throughput, "Share of the photons recorded, without --zero-point");
  option("--band", w.band_nm, "Width of the filter in nm, without --zero-point");
  option("--wavelength", w.wavelength_nm, "Wavelength for diffraction, nm");
}

void add_goal(CLI::App& app, Options& o) {
  auto& w = o.wish;
  const auto option = [&](const char* group, const char* name, auto& slot, const char* help) {
    app.add_option(name, slot, help)->group(group);
  };
  const auto* sky = "Sky";
  option(sky, "--sky-mag", w.sky_mag_arcsec2, "Brightness of the sky, mag per square arcsec");
  option(sky, "--sky-rate", w.sky_e_per_s, "Or as measured: e/s per pixel");
  option(sky, "--seeing", w.seeing_arcsec, "FWHM of stars before telescope and pixels, arcsec");
  option(sky, "--star-width", w.fwhm_arcsec, "Or as measured on the sensor: FWHM, arcsec");
  const auto* goal = "What is wanted";
  option(goal, "--read-noise-share", w.read_noise_share,
         "Share that read noise may add to a sub's noise (0.05)");
  option(goal, "--sub", w.sub_s, "Length of a sub, s, instead");
  option(goal, "--pause", w.pause_s, "Time lost between two subs, s");
  option(goal, "--hours", w.hours, "Time for the target, hours");
  option(goal, "--star", w.star_mag, "A star's magnitude to reach");
  option(goal, "--surface", w.surface_mag_arcsec2, "A surface brightness to reach, mag/sq. arcsec");
  option(goal, "--area", w.area_arcsec2, "Area over which it is summed, sq. arcsec (100)");
  option(goal, "--snr", w.snr, "Signal-to-noise that counts as reached (10)");
  const auto* night = "Night";
  option(night, "--night", o.night, "Date of the evening, YYYY-MM-DD");
  app.add_option("--site", o.site, "Latitude and longitude, degrees; north and east positive")
      ->expected(2)
      ->group(night);
  app.add_option("--target", o.target, "Right ascension and declination (J2000), degrees")
      ->expected(2)
      ->group(night);
  option(night, "--least-altitude", o.least_altitude,
         "Altitude from which it counts, degrees (30)");
  option(night, "--sun-below", o.sun_below, "How far down the Sun must be, degrees (18)");
}

}  // namespace

Command add_plan(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand(
      "plan", "Scale, sub length, number of subs, depth, reducer and a night's hours");
  app->footer(
      "Example: coldframe plan --aperture 130 --focal-length 910 --reducer 0.67 --pixel 3.8 \\\n"
      "           --sensor 4144 2822 --read-noise 1.6 --sky-mag 20.3 --seeing 2.8 --surface 25\n"
      "With an earlier session the sky, the noise and the star width are those measured:\n"
      "         coldframe plan --from out --hours 3 --night 2031-03-15 --site 48.1 11.6 --target "
      "150 30");
  add_common(*app, o->common, false);
  app->add_option("--from", o->from, "Folder that coldframe run filled, or its session.json");
  add_optics(*app, *o);
  add_goal(*app, *o);
  return {app, [o] { return execute(*o); }};
}

}  // namespace coldframe::cli
