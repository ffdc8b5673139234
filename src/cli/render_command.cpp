#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/session/render.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  std::string in, out, red, green, blue, luminance, objects;
  std::vector<int> crop;
  session::RenderJob job;
};

int execute(Options& o) {
  const int channels = int{!o.red.empty()} + int{!o.green.empty()} + int{!o.blue.empty()};
  if ((channels != 0 && channels != 3) || (channels == 3) == !o.in.empty()) {
    throw Error(ErrorKind::usage, "", "it is not clear what to show",
                "give one result, or --red, --green and --blue");
  }
  o.job.in = o.in;
  o.job.red = o.red;
  o.job.green = o.green;
  o.job.blue = o.blue;
  o.job.luminance = o.luminance;
  o.job.out = o.out;
  if (!o.crop.empty()) o.job.crop = {o.crop.at(0), o.crop.at(1), o.crop.at(2), o.crop.at(3)};
  o.job.objects = o.objects;
  o.job.threads = threads_of(o.common);
  session::render_file(o.job);
  if (o.common.json) {
    print(nlohmann::ordered_json{{"written", o.out}}.dump(
              2, ' ', false, nlohmann::ordered_json::error_handler_t::replace) +
          "\n");
  } else if (!o.common.quiet) {
    print(printable(o.out) + "\n");
  }
  return 0;
}

void add_channels(CLI::App& app, Options& o) {
  const auto* group = "Channels (results of one session share a grid)";
  app.add_option("--red", o.red, "Result shown as red, such as H-alpha")->group(group);
  app.add_option("--green", o.green, "Result shown as green")->group(group);
  app.add_option("--blue", o.blue, "Result shown as blue, such as O III")->group(group);
  app.add_option("--luminance", o.luminance, "Result that gives the brightness")->group(group);
}

void add_extras(CLI::App& app, Options& o) {
  const auto* enhance =
      "For the eye (off unless asked; the picture's description tells the amount)";
  app.add_option("--smooth", o.job.smooth_sigma,
                 "Take out what noise of so many sigma explains, scale by scale, e.g. 3")
      ->check(CLI::Range(0.0, 20.0))
      ->group(enhance);
  app.add_option("--sharpen", o.job.sharpen_iterations,
                 "Richardson-Lucy iterations with the measured star, e.g. 10; rings about bright "
                 "stars grow with them")
      ->check(CLI::Range(0, 200))
      ->group(enhance);
  app.add_option("--star-width", o.job.star_fwhm_px,
                 "FWHM of the stars to sharpen with, px (default: as measured in the file)")
      ->check(CLI::Range(0.5, 50.0))
      ->group(enhance);
  const auto* draw = "Drawn on the picture (needs a solved image)";
  app.add_flag("--annotate", o.job.annotate, "Scale bar and directions")->group(draw);
  app.add_option("--objects", o.objects,
                 "Table of objects to mark: name, ra, dec in degrees, and radius_arcmin if wanted")
      ->group(draw);
}

}  // namespace

Command add_render(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand("render", "A stretched picture of a result, or of several");
  app->footer(
      "Examples: coldframe render wren_colour_flat-sky.fits -o wren.png\n"
      "          coldframe render --red wren_R.fits --green wren_G.fits --blue wren_B.fits \\\n"
      "                    --luminance wren_L.fits --bits 16 -o wren.tif");
  add_common(*app, o->common, false);
  app->add_option("in", o->in, "FITS image with one or three planes");
  app->add_option("-o,--out", o->out, "Picture to write (.png, .tif)")->required();
  add_channels(*app, *o);
  add_extras(*app, *o);
  app->add_option("--strength", o->job.stretch.q, "How strongly faint light is raised")
      ->check(CLI::Range(0.1, 100.0))
      ->capture_default_str();
  app->add_option("--black-sigma", o->job.stretch.black_sigma,
                  "Black point this many sigma below the sky")
      ->check(CLI::Range(-20.0, 20.0))
      ->capture_default_str();
  app->add_option("--saturation", o->job.saturation, "Distance of colours from grey; 0 = grey")
      ->check(CLI::Range(0.0, 5.0))
      ->capture_default_str();
  app->add_option("--crop", o->crop, "X Y WIDTH HEIGHT in px, from 0 at the lower left")
      ->expected(4);
  app->add_option("--longest", o->job.longest_px, "Bin until no side is longer, px; 0 = full size")
      ->check(CLI::Range(0, 100000));
  app->add_option("--bits", o->job.bits, "Bits per channel: 8, 16, or 32 (TIFF floats)")
      ->check(CLI::IsMember({8, 16, 32}))
      ->capture_default_str();
  app->add_flag("--linear", o->job.linear, "Unstretched light from black to white (TIFF)");
  return {app, [o] { return execute(*o); }};
}

}  // namespace coldframe::cli
