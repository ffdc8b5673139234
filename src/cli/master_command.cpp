#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  std::string kind;
  std::vector<std::string> files;
  std::string out, subtract;
  std::string gradient = "keep";
  session::MasterJob job;
};

int execute(Options& o) {
  auto& job = o.job;
  job.kind = o.kind == "bias"   ? sensor::MasterKind::bias
             : o.kind == "dark" ? sensor::MasterKind::dark
                                : sensor::MasterKind::flat;
  for (const auto& file : o.files) job.files.emplace_back(file);
  job.out = o.out;
  job.subtract = o.subtract;
  job.supplied = cards_of(o.common.supply);
  job.threads = threads_of(o.common);
  job.options.gradient = flat_gradient_of(o.gradient);
  if (const auto bytes = bytes_of(o.common.memory); bytes > 0) job.options.memory_bytes = bytes / 2;
  const auto outcome = session::make_master(job, watch_of(o.common));
  end_progress();
  complain_left_out(outcome.left_out);
  for (const auto& note : outcome.record.notes) complain("warning: " + note);
  auto notes = outcome.record.notes;
  notes.insert(notes.end(), outcome.done.begin(), outcome.done.end());
  if (o.common.json) {
    const nlohmann::ordered_json json = {{"kind", outcome.record.kind},
                                         {"path", outcome.record.path},
                                         {"frames", outcome.record.frames},
                                         {"level_adu", outcome.level_adu},
                                         {"noise_adu", outcome.record.noise_adu.value_or(0.0)},
                                         {"frame_noise_adu", outcome.frame_noise_adu},
                                         {"notes", notes}};
    print(json.dump(2, ' ', false, nlohmann::ordered_json::error_handler_t::replace) + "\n");
  } else if (!o.common.quiet) {
    print(
        fmt::format("master {} of {} frames: level {:.2f} ADU, noise of a pixel {:.3g}{}, of one "
                    "frame {:.3g} ADU\n{}\n",
                    outcome.record.kind, outcome.record.frames, outcome.level_adu,
                    outcome.record.noise_adu.value_or(0.0),
                    outcome.record.kind == "flat" ? " (relative)" : " ADU", outcome.frame_noise_adu,
                    outcome.record.path));
    for (const auto& done : outcome.done) print(done + "\n");
  }
  return 0;
}

}  // namespace

Command add_master(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand("master", "One master frame, with its uncertainty");
  app->footer(
      "Example: coldframe master dark darks/*.fits -o dark_120s.fits\n"
      "Flats at twilight: never point at or near the Sun, and wait until it has set; even a moment "
      "of sunlight "
      "through the optics blinds and burns. Local rules come first.");
  add_common(*app, o->common, true);
  app->add_option("kind", o->kind, "bias, dark or flat")
      ->required()
      ->check(CLI::IsMember({"bias", "dark", "flat"}));
  app->add_option("files", o->files, "Raw frames of one kind")->required();
  app->add_option("-o,--out", o->out, "File to write")->required();
  app->add_option("--subtract", o->subtract,
                  "For flats: master dark of the flats' exposure, or master bias");
  add_flat_gradient(*app, o->gradient);
  return {app, [o] { return execute(*o); }};
}

}  // namespace coldframe::cli
