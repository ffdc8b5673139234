// calibrate, verify, simulate: short commands around one call each.
#include <fmt/format.h>

#include <nlohmann/json.hpp>
#include <set>

#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "combine_options.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

using nlohmann::ordered_json;

std::string dump(const ordered_json& json) {
  return json.dump(2, ' ', false, ordered_json::error_handler_t::replace) + "\n";
}

session::Paths paths_of(const std::vector<std::string>& files) {
  return {files.begin(), files.end()};
}

struct CalibrateOptions {
  Common common;
  std::vector<std::string> files;
  std::string demosaic = "none";
  std::string bias, dark, flat, out;
  session::CalibrateJob job;
};

int calibrate(CalibrateOptions& o) {
  auto& job = o.job;
  job.files = paths_of(o.files);
  job.bias = o.bias;
  job.dark = o.dark;
  job.flat = o.flat;
  job.out = o.out;
  job.supplied = cards_of(o.common.supply);
  if (o.demosaic != "none") job.demosaic = demosaic_of(o.demosaic);
  job.threads = threads_of(o.common);
  const auto outcomes = session::calibrate_files(job, watch_of(o.common));
  end_progress();
  auto json = ordered_json::array();
  std::size_t written = 0;
  std::set<std::string> told;
  for (const auto& one : outcomes) {
    if (one.written.empty()) {
      complain(one.why);
    } else {
      ++written;
      if (!one.note.empty() && told.insert(one.note).second) complain("warning: " + one.note);
      if (!o.common.json && !o.common.quiet) print(printable(one.written) + "\n");
    }
    json.push_back(
        {{"file", one.file},
         {"written", one.written.empty() ? ordered_json(nullptr) : ordered_json(one.written)},
         {"why_not", one.why.empty() ? ordered_json(nullptr) : ordered_json(one.why)},
         {"note", one.note.empty() ? ordered_json(nullptr) : ordered_json(one.note)}});
  }
  if (o.common.json) print(dump(json));
  return written > 0 ? 0 : exit_status(ErrorKind::not_enough_data);
}

struct VerifyOptions {
  Common common;
  std::vector<std::string> files;
};

int verify(const VerifyOptions& o) {
  const auto results = session::verify_files(paths_of(o.files), threads_of(o.common));
  auto json = ordered_json::array();
  bool sound = true;
  for (const auto& r : results) {
    const bool good = r.readable && !r.checksums_wrong;
    sound = sound && good;
    const std::string verdict = !r.readable          ? "unreadable"
                                : r.checksums_wrong  ? "damaged"
                                : r.checksums_absent ? "readable, no checksums"
                                                     : "sound";
    json.push_back({{"file", r.file}, {"verdict", verdict}, {"detail", r.detail}});
    if (!o.common.json && !o.common.quiet) {
      print(fmt::format("{}: {}{}\n", printable(r.file), verdict,
                        r.detail.empty() ? "" : " (" + printable(r.detail) + ")"));
    }
  }
  if (o.common.json) print(dump(json));
  return sound ? 0 : exit_status(ErrorKind::input);
}

struct SimulateOptions {
  Common common;
  std::string scene, out;
};

int simulate(const SimulateOptions& o) {
  const auto frames =
      session::simulate_session(o.scene, o.out, threads_of(o.common), watch_of(o.common));
  end_progress();
  if (o.common.json) {
    print(dump({{"frames", frames}, {"out", o.out}}));
  } else if (!o.common.quiet) {
    print(fmt::format("{} frames and their truth in {}\n", frames, printable(o.out)));
  }
  return 0;
}

}  // namespace

Command add_calibrate(CLI::App& root) {
  auto o = std::make_shared<CalibrateOptions>();
  auto* app = root.add_subcommand("calibrate", "Calibrated FITS from raw frames and masters");
  app->footer(
      "Example: coldframe calibrate lights/*.fits --dark dark.fits --flat flat.fits -o calibrated");
  add_common(*app, o->common, true);
  app->add_option("files", o->files, "Raw frames")->required();
  app->add_option(
      "--bias", o->bias,
      "Master bias, used when there is no dark, or to scale a dark of another exposure");
  app->add_option("--dark", o->dark, "Master dark of the same exposure (bias in it)");
  app->add_option("--flat", o->flat, "Master flat");
  app->add_option("--gain", o->job.gain_e_per_adu, "Electrons per ADU; overrules headers");
  app->add_option("--saturation", o->job.saturation_adu,
                  "Raw value from which a pixel counts as saturated, ADU");
  auto ways = demosaic_names();
  ways.emplace_back("none");
  app->add_flag("--values-only", o->job.values_only,
                "Write the pixels alone, without their uncertainty and mask");
  app->add_option("--demosaic", o->demosaic,
                  "Fill in the colours of a mosaic and write three planes, with the uncertainty of "
                  "each; ways as for run. none: the mosaic stays")
      ->check(CLI::IsMember(ways))
      ->capture_default_str();
  app->add_option("-o,--out", o->out, "Folder to write into")->required();
  return {app, [o] { return calibrate(*o); }};
}

Command add_verify(CLI::App& root) {
  auto o = std::make_shared<VerifyOptions>();
  auto* app = root.add_subcommand("verify", "Checksums, provenance, readable or not");
  app->footer("Example: coldframe verify lights/*.fits");
  add_common(*app, o->common, false);
  app->add_option("files", o->files, "FITS files")->required();
  return {app, [o] { return verify(*o); }};
}

Command add_simulate(CLI::App& root) {
  auto o = std::make_shared<SimulateOptions>();
  auto* app = root.add_subcommand("simulate", "A synthetic session with its truth");
  app->footer("Example: coldframe simulate testdata/scenes/demo.json -o demo-session");
  add_common(*app, o->common, false);
  app->add_option("scene", o->scene, "Scene file (JSON)")->required();
  app->add_option("-o,--out", o->out, "Folder for the session")->required();
  return {app, [o] { return simulate(*o); }};
}

}  // namespace coldframe::cli
