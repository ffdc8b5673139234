// stars, register, integrate.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "combine_options.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

using nlohmann::ordered_json;

session::Paths paths_of(const std::vector<std::string>& files) {
  return {files.begin(), files.end()};
}

struct StarsOptions {
  Common common;
  std::vector<std::string> files;
  std::string out;
  double detection = 5.0;
};

ordered_json field_json(const stars::FieldShape& f) {
  if (f.stars == 0) return nullptr;
  auto map = ordered_json::array();
  for (const auto& cell : f.fwhm_map_px) {
    map.push_back(cell ? ordered_json(*cell) : ordered_json(nullptr));
  }
  return {{"tilt_px", f.tilt_px.value},
          {"tilt_error_px", f.tilt_px.error},
          {"tilt_direction_deg", f.tilt_direction_deg},
          {"curvature_px", f.curvature_px.value},
          {"curvature_error_px", f.curvature_px.error},
          {"corner_elongation", f.corner_elongation.value},
          {"corner_elongation_error", f.corner_elongation.error},
          {"fwhm_map_px", map}};
}

ordered_json classes_json(const session::MeasuredFile& m) {
  ordered_json json = ordered_json::object();
  for (std::size_t k = 0; k < m.classes.size(); ++k) {
    json[std::string(to_string(static_cast<StarClass>(k)))] = m.classes[k];
  }
  return json;
}

ordered_json quality_json(const session::MeasuredFile& m) {
  const auto& q = m.measurement.quality;
  const bool fitted = q.fitted > 0;
  const auto scale = m.info.arcsec_per_px();
  const auto per_second = [&](double value) {
    const double exposure = m.info.exposure_s.value_or(0.0);
    return exposure > 0.0 ? ordered_json(value / exposure) : ordered_json(nullptr);
  };
  const auto or_null = [&](double value) {
    return fitted ? ordered_json(value) : ordered_json(nullptr);
  };
  return {
      {"file", m.file},
      {"status", m.fault.empty() ? std::string(stars::to_string(q.status)) : "unreadable"},
      {"fault", m.fault.empty() ? ordered_json(nullptr) : ordered_json(m.fault)},
      {"stars", q.stars},
      {"classes", classes_json(m)},
      {"fitted", q.fitted},
      {"fwhm_px", or_null(q.fwhm_px)},
      {"fwhm_arcsec", fitted && scale ? ordered_json(q.fwhm_px * *scale) : ordered_json(nullptr)},
      {"fwhm_error_px", or_null(q.fwhm_error_px)},
      {"ellipticity", or_null(q.ellipticity)},
      {"ellipticity_error", or_null(q.ellipticity_error)},
      {"position_angle_deg", or_null(q.angle_deg)},
      {"sky_level", q.sky_level},
      {"noise_per_px", q.noise_per_px},
      {"sky_per_s", per_second(q.sky_level)},
      {"noise_per_s", per_second(q.noise_per_px)},
      {"airmass", m.airmass ? ordered_json(*m.airmass) : ordered_json(nullptr)},
      {"field", field_json(m.field)}};
}

int run_stars(const StarsOptions& o) {
  const auto measured =
      session::measure_files(paths_of(o.files), o.out, o.detection, cards_of(o.common.supply),
                             threads_of(o.common), watch_of(o.common), o.common.json);
  end_progress();
  auto json = ordered_json::array();
  std::size_t sound = 0;
  bool missing = false;
  for (const auto& m : measured) {
    json.push_back(quality_json(m));
    missing = missing || m.missing;
    if (!m.fault.empty()) {
      complain(printable(m.file) + ": " + m.fault);
      continue;
    }
    ++sound;
    if (o.common.json || o.common.quiet) continue;
    const auto& q = m.measurement.quality;
    const auto scale = m.info.arcsec_per_px();
    print(
        fmt::format("{}: {} stars, FWHM {:.2f} px{}, ellipticity {:.3f} at {:.0f} deg, sky {:.1f}, "
                    "noise {:.2f}\n",
                    printable(m.file), q.stars, q.fwhm_px,
                    scale ? fmt::format(" ({:.2f} arcsec)", q.fwhm_px * *scale) : "", q.ellipticity,
                    q.angle_deg, q.sky_level, q.noise_per_px));
  }
  if (o.common.json) {
    print(json.dump(2, ' ', false, ordered_json::error_handler_t::replace) + "\n");
  }
  if (missing) return exit_status(ErrorKind::input);
  return sound > 0 ? 0 : exit_status(ErrorKind::not_enough_data);
}

struct RegisterOptions {
  Common common;
  std::vector<std::string> files;
  std::string out;
  CombineTexts texts;
  session::RegisterJob job;
};

int run_register(RegisterOptions& o) {
  if (o.out.empty() && o.job.resample_into.empty()) {
    throw Error(ErrorKind::usage, "", "nothing to write",
                "give -o for the transforms or --resample for frames");
  }
  session::RunOptions run;
  apply(o.texts, run);
  o.job.files = paths_of(o.files);
  o.job.resample = run.resample;
  o.job.threads = threads_of(o.common);
  const auto outcome = session::register_files(o.job, watch_of(o.common));
  end_progress();
  const auto json = session::transforms_json(outcome);
  if (!o.out.empty()) session::write_transforms(outcome, o.out);
  if (o.common.json) print(json);
  std::size_t matched = 0;
  for (const auto& row : outcome.files) {
    if (!row.fault.empty()) {
      complain(printable(row.file) + ": not registered, " + row.fault);
      continue;
    }
    ++matched;
    if (o.common.json || o.common.quiet) continue;
    print(fmt::format("{}: {} common stars, residual {:.3f} px\n", printable(row.file),
                      row.match.pairs.size(), row.match.rms_px));
  }
  return matched > 0 ? 0 : exit_status(ErrorKind::not_enough_data);
}

struct IntegrateOptions {
  Common common;
  std::vector<std::string> files;
  std::string out;
  CombineTexts texts;
  session::IntegrateJob job;
  bool timings = false;
};

int run_integrate(IntegrateOptions& o) {
  auto& job = o.job;
  job.files = paths_of(o.files);
  job.out = o.out;
  require_fits_name(o.out);
  job.options.threads = threads_of(o.common);
  job.options.memory_bytes = bytes_of(o.common.memory);
  job.options.supplied = cards_of(o.common.supply);
  apply(o.texts, job.options);
  const auto record = session::integrate_files(job, watch_of(o.common));
  end_progress();
  complain_left_out(record.left_out);
  for (const auto& sub : record.subs) {
    if (!sub.kept) complain(printable(sub.path) + ": left out, " + sub.reason);
  }
  const auto& r = record.results.front();
  if (o.common.json) {
    print(session::record_json(record));
  } else if (!o.common.quiet) {
    print(fmt::format("{} of {} files combined, FWHM {:.2f} px, noise {:.3g} {}/px\n{}\n",
                      r.subs_kept, r.subs_total, r.fwhm_px.value_or(0.0),
                      r.noise_per_px.value_or(0.0), r.unit, printable(o.out)));
  }
  if (o.timings) print_timings(record.timings);
  return 0;
}

}  // namespace

Command add_stars(CLI::App& root) {
  auto o = std::make_shared<StarsOptions>();
  auto* app = root.add_subcommand("stars", "Star tables and one quality line per file");
  app->footer("Example: coldframe stars lights/*.fits -o tables");
  add_common(*app, o->common, true);
  app->add_option("files", o->files, "Frames, calibrated or raw")->required();
  app->add_option("-o,--out", o->out,
                  "Folder for star tables (FITS and CSV; with --json also JSON)");
  app->add_option("--detection", o->detection, "Detection limit, sigma")
      ->check(CLI::Range(2.0, 100.0))
      ->capture_default_str();
  return {app, [o] { return run_stars(*o); }};
}

Command add_register(CLI::App& root) {
  auto o = std::make_shared<RegisterOptions>();
  auto* app = root.add_subcommand("register",
                                  "Transforms of frames to a reference, or the frames resampled");
  app->footer("Example: coldframe register calibrated/*.fits -o transforms.json");
  add_common(*app, o->common, true);
  app->add_option("files", o->files, "Calibrated frames")->required();
  app->add_option("-o,--out", o->out, "Transforms as JSON");
  app->add_option("--transforms", o->job.transforms,
                  "Transforms from an earlier -o, with --resample: nothing is matched again");
  app->add_option("--resample", o->job.resample_into,
                  "Folder for the frames on the reference's grid");
  app->add_option("--reference", o->job.reference,
                  "Frame that sets the grid; default: the most promising");
  app->add_option("--kernel", o->texts.kernel, "Resampling kernel")
      ->check(CLI::IsMember({"lanczos3", "bicubic", "bilinear"}))
      ->capture_default_str();
  return {app, [o] { return run_register(*o); }};
}

Command add_integrate(CLI::App& root) {
  auto o = std::make_shared<IntegrateOptions>();
  auto* app = root.add_subcommand("integrate", "Combine already calibrated files into one image");
  app->footer("Example: coldframe integrate calibrated/*.fits -o wren.fits");
  add_common(*app, o->common, true);
  app->add_option("files", o->files, "Calibrated frames")->required();
  app->add_option("-o,--out", o->out, "Result to write (.fits)")->required();
  auto* aligned = app->add_flag("--aligned", o->job.aligned, "The files lie on one grid already");
  app->add_option("--transforms", o->job.transforms,
                  "Transforms that 'coldframe register -o' wrote, in place of matching")
      ->excludes(aligned);
  app->add_flag("--timings", o->timings,
                "Print what each stage took: time, CPU, bytes, memory (on stderr)");
  add_combine_options(*app, o->texts, o->job.options);
  return {app, [o] { return run_integrate(*o); }};
}

}  // namespace coldframe::cli
