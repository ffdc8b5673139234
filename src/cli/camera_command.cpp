#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "coldframe/session/camera.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  std::vector<std::string> bias, dark, flat, frames;
  std::string plot;
  double saturation = 0.0;
};

std::vector<std::filesystem::path> paths_of(const std::vector<std::string>& names) {
  return {names.begin(), names.end()};
}

// A plot per camera; more than one are numbered.
void write_plots(const session::CameraOutcome& outcome, const std::filesystem::path& plot) {
  int number = 0;
  for (const auto& camera : outcome.cameras) {
    if (camera.points.empty()) continue;
    ++number;
    auto path = plot;
    if (number > 1) {
      path.replace_filename(
          fmt::format("{}_{}{}", plot.stem().string(), number, plot.extension().string()));
    }
    session::write_camera_plot(camera, path);
  }
}

int execute(const Options& o) {
  session::CameraJob job;
  job.bias = paths_of(o.bias);
  job.dark = paths_of(o.dark);
  job.flat = paths_of(o.flat);
  job.others = paths_of(o.frames);
  job.supplied = cards_of(o.common.supply);
  if (o.saturation > 0.0) job.saturation_adu = o.saturation;
  job.threads = threads_of(o.common);
  const auto outcome = session::measure_cameras(job, watch_of(o.common));
  end_progress();
  complain_left_out(outcome.left_out);
  if (!o.plot.empty()) write_plots(outcome, o.plot);
  bool measured = false;
  for (const auto& camera : outcome.cameras) measured = measured || camera.fit.usable;
  if (o.common.json) {
    print(session::camera_json(outcome));
  } else {
    for (const auto& camera : outcome.cameras) {
      if (!o.common.quiet) print(session::camera_text(camera) + "\n");
    }
  }
  if (measured) return 0;
  std::string why = "no bias, dark or flat frame that could be used";
  if (!outcome.cameras.empty()) {
    why = outcome.cameras.front().notes.empty() ? why : outcome.cameras.front().notes.front();
  }
  complain(printable(why) +
           "; give two bias frames and two flats of one exposure, at about half "
           "of the range");
  return exit_status(ErrorKind::not_enough_data);
}

}  // namespace

Command add_camera(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand(
      "camera", "Gain, read noise, full well, dark current and linearity of a camera");
  app->footer(
      "Example: coldframe camera --bias bias/*.fits --flat flats/*.fits --plot camera.svg\n"
      "Two bias frames and two flats of one exposure are enough for gain and read noise; a folder "
      "of "
      "mixed\nframes will do as well: coldframe camera calibration/\n"
      "Flats at twilight: never point at or near the Sun, and wait until it has set.");
  add_common(*app, o->common, true);
  app->add_option(
      "frames", o->frames,
      "Folders or files with bias frames, darks and flats, told apart by their headers");
  app->add_option("--bias", o->bias, "Bias frames (shortest exposure, covered)");
  app->add_option("--flat", o->flat, "Flats; pairs of one exposure, several exposures if you can");
  app->add_option("--dark", o->dark,
                  "Darks in pairs, several exposures and temperatures if you can");
  app->add_option("--saturation", o->saturation, "Code at which pixels are full, ADU")
      ->check(CLI::PositiveNumber);
  app->add_option("--plot", o->plot, "File for the plot of noise against light (SVG)");
  return {app, [o] { return execute(*o); }};
}

}  // namespace coldframe::cli
