#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "coldframe/session/next_night.hpp"
#include "coldframe/session/nights.hpp"
#include "coldframe/session/run.hpp"
#include "coldframe/session/tools.hpp"
#include "combine_options.hpp"
#include "command.hpp"
#include "solving_options.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  session::RunOptions run;
  CombineTexts texts;
  SolvingTexts solving;
  std::vector<std::string> sessions;
  std::string keep_list, drop_list;
  std::string gradient = "keep";
  bool no_trails = false;
  bool no_background = false;
  bool timings = false;
};

std::string summary(const session::SessionRecord& record, const std::string& out) {
  std::string text;
  for (const auto& r : record.results) {
    text += fmt::format("{}{}{}: {} of {} subs, {:.1f} min", r.object, r.filter.empty() ? "" : ", ",
                        r.filter, r.subs_kept, r.subs_total, r.exposure_s / 60.0);
    if (r.fwhm_px) text += fmt::format(", FWHM {:.2f} px", *r.fwhm_px);
    if (r.noise_per_px) text += fmt::format(", noise {:.3g} {}/px", *r.noise_per_px, r.unit);
    text += "\n";
    const auto nights = session::nights_of(record, static_cast<int>(&r - record.results.data()));
    for (const auto& night : nights) {
      if (nights.size() > 1) text += "  night " + printable(session::night_text(night)) + "\n";
    }
    if (r.grid_kept) text += "  reference, grid and flux scale of the earlier run were kept\n";
    if (r.solved && r.solved->solved()) text += session::solved_text(*r.solved);
    if (!r.path.empty()) text += fmt::format("  {}/{}\n", out, r.path);
  }
  for (const auto& sub : record.subs) {
    if (!sub.kept) text += fmt::format("  left out {}: {}\n", printable(sub.path), sub.reason);
  }
  for (std::size_t i = 0; i < record.results.size(); ++i) {
    const auto& r = record.results[i];
    const std::string name = record.results.size() < 2 ? std::string()
                             : r.filter.empty()        ? r.object + ": "
                                                       : r.object + ", " + r.filter + ": ";
    for (const auto& line :
         session::next_night_lines(session::next_night(record, static_cast<int>(i)))) {
      text += printable(name + line) + "\n";
    }
  }
  text += fmt::format("report: {}/report.html\n", out);
  return text;
}

int execute(Options& o, const CLI::App& app) {
  auto& run = o.run;
  run.session = o.sessions.front();
  run.more_sessions.assign(o.sessions.begin() + 1, o.sessions.end());
  run.threads = threads_of(o.common);
  run.memory_bytes = bytes_of(o.common.memory);
  run.supplied = cards_of(o.common.supply);
  apply(o.texts, run);
  apply(o.solving, run.solving);
  if (!o.keep_list.empty()) run.keep.keep_only = session::read_name_list(o.keep_list);
  if (!o.drop_list.empty()) {
    const auto names = session::read_name_list(o.drop_list);
    run.keep.drop.insert(run.keep.drop.end(), names.begin(), names.end());
  }
  run.flat_gradient = flat_gradient_of(o.gradient);
  run.search_trails = !o.no_trails;
  run.remove_background = !o.no_background;
  run.recipe_text = recipe_of(app);
  const auto record = session::run_session(run, watch_of(o.common));
  end_progress();
  complain_left_out(record.left_out);
  if (!o.common.quiet) {
    for (const auto& warning : record.warnings) {
      complain(fmt::format("warning: {}{}", printable(warning.message),
                           warning.files.empty()
                               ? ""
                               : fmt::format(" ({} {})", warning.files.size(),
                                             warning.files.size() == 1 ? "file" : "files")));
    }
  }
  if (o.common.json) {
    print(session::record_json(record));
  } else if (!o.common.quiet) {
    print_summary(summary(record, run.out.string()));
  }
  // On stderr, so that it can stand beside --json and --quiet.
  if (o.timings) print_timings(record.timings);
  return 0;
}

}  // namespace

Command add_run(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand("run", "The whole job on a folder tree of raw FITS");
  app->footer(
      "Example: coldframe run nights/2031-03-14 -o results/wren\n"
      "A night added: coldframe run nights/2031-03-14 nights/2031-03-17 -o results/wren\n"
      "  measures the new frames alone and keeps reference, grid and flux scale.\n"
      "What moves against the stars (asteroids, comets) is rejected like trails.");
  add_common(*app, o->common, true);
  app->add_option("session", o->sessions,
                  "Folder with lights and calibration frames; several: nights of one target, each "
                  "calibrated with its own frames first")
      ->required();
  app->add_option("-o,--out", o->run.out, "Folder for the results; made when missing")->required();
  add_combine_options(*app, o->texts, o->run);
  app->add_option("--gain", o->run.gain_e_per_adu, "Electrons per ADU; overrules headers");
  app->add_option("--saturation", o->run.saturation_adu,
                  "Raw value from which a pixel counts as saturated, ADU");
  app->add_option("--keep-list", o->keep_list,
                  "File that names the only subs to use, one per line");
  app->add_option("--drop", o->run.keep.drop, "Sub to leave out; repeat for more")
      ->take_all()
      ->expected(1)
      ->allow_extra_args(false);
  app->add_option("--drop-list", o->drop_list, "File that names subs to leave out, one per line");
  app->add_option("--max-fwhm", o->run.keep.max_fwhm_px, "Leave out subs with wider stars, px");
  app->add_option("--max-ellipticity", o->run.keep.max_ellipticity,
                  "Leave out subs with longer drawn stars (1 - minor/major axis)");
  app->add_option("--min-transparency", o->run.keep.min_transparency,
                  "Leave out subs with less light than this share of the best sub's");
  app->add_option("--min-stars", o->run.keep.min_stars, "Leave out subs with fewer stars");
  app->add_option("--min-contribution", o->run.keep.min_contribution,
                  "Leave out subs that add less than this share of what a typical sub of their "
                  "exposure adds to the (signal/noise)^2 of stars; default 0.1");
  app->add_option("--transforms", o->run.transforms,
                  "Transforms that 'coldframe register -o' wrote: the subs in it are not matched, "
                  "its reference gives the grid");
  app->add_option("--dark-tolerance", o->run.tolerances.temperature_c,
                  "Largest difference of sensor temperature between a dark and its lights, C");
  add_flat_gradient(*app, o->gradient);
  app->add_option("--masters", o->run.masters,
                  "Folder of ready masters of other sessions, used where fresh frames are wanting");
  app->add_option("--scratch", o->run.scratch,
                  "Folder for decoded copies of compressed frames that do not fit --memory");
  add_solving_options(*app, o->solving, o->run.solving, false);
  app->add_flag("--no-trails", o->no_trails, "Do not look for satellite trails");
  app->add_option("--background-regions", o->run.background_regions,
                  "JSON file of polygons that the sky's gradient keeps off (protect) or rests on "
                  "(sample)");
  app->add_flag("--no-background", o->no_background,
                "Do not write the version without sky gradient");
  app->add_flag("--timings", o->timings,
                "Print what each stage took: time, CPU, bytes, memory (on stderr)");
  return {app, [o, app] { return execute(*o, *app); }};
}

}  // namespace coldframe::cli
