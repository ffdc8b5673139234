#include "coldframe/session/background.hpp"

#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

struct BackgroundOptions {
  Common common;
  std::string in, out;
  session::BackgroundJob job;
};

int run_background(BackgroundOptions& o) {
  auto& job = o.job;
  job.in = o.in;
  job.out = o.out;
  require_fits_name(o.out);
  job.threads = threads_of(o.common);
  const auto outcome = session::remove_background(job, watch_of(o.common));
  end_progress();
  if (!outcome.note.empty()) complain("warning: " + outcome.note);
  if (o.common.json) {
    print(session::background_json(outcome));
  } else if (!o.common.quiet) {
    for (const auto& p : outcome.planes) {
      print(fmt::format(
          "{}, order {}, {:.0f}% free sky{}\n", p.status, p.order, 100.0 * p.free_sky_share,
          p.taken_share
              ? fmt::format(", takes about {:.1f}% of such an object", 100.0 * *p.taken_share)
              : ""));
    }
    print(printable(o.out) + "\n");
  }
  return 0;
}

}  // namespace

Command add_background(CLI::App& root) {
  auto o = std::make_shared<BackgroundOptions>();
  auto* app = root.add_subcommand("background", "Gradient model of the sky and its removal");
  app->footer("Example: coldframe background wren_L.fits -o wren_L_flat.fits --model sky.fits");
  add_common(*app, o->common, false);
  app->add_option("in", o->in, "FITS image with one or three planes")->required();
  app->add_option("-o,--out", o->out, "Image without the gradient to write (.fits)")->required();
  app->add_option("--model", o->job.model, "Also write the model alone");
  app->add_option("--regions", o->job.regions,
                  "JSON file of polygons to protect (objects) or to sample (sky)");
  app->add_option("--max-order", o->job.options.max_order, "Highest order of the surface")
      ->check(CLI::Range(0, 6))
      ->capture_default_str();
  app->add_option("--object-sigma", o->job.options.object_sigma,
                  "Edge of objects in the smoothed picture, sigma")
      ->check(CLI::Range(0.5, 20.0))
      ->capture_default_str();
  return {app, [o] { return run_background(*o); }};
}

}  // namespace coldframe::cli
