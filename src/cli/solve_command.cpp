#include "coldframe/core/error.hpp"
#include "coldframe/session/solving.hpp"
#include "command.hpp"
#include "solving_options.hpp"

namespace coldframe::cli {
namespace {

struct SolveOptions {
  Common common;
  std::string in, out;
  SolvingTexts texts;
  session::SolveJob job;
};

int run_solve(SolveOptions& o) {
  auto& job = o.job;
  job.in = o.in;
  job.out = o.out;
  require_fits_name(o.out);
  job.supplied = cards_of(o.common.supply);
  job.threads = threads_of(o.common);
  apply(o.texts, job.options);
  const auto solved = session::solve_file(job, watch_of(o.common));
  end_progress();
  if (o.common.json) {
    print(session::solved_json(solved));
  } else if (!solved.solved()) {
    complain(printable(o.in) + ": " + solved.why_not +
             "; check --position, --pixel-scale and --search-radius");
  } else if (!o.common.quiet) {
    print(session::solved_text(solved) + printable(o.out) + "\n");
  }
  return solved.solved() ? 0 : exit_status(ErrorKind::not_enough_data);
}

}  // namespace

Command add_solve(CLI::App& root) {
  auto o = std::make_shared<SolveOptions>();
  auto* app = root.add_subcommand(
      "solve", "Position on the sky, zero point and depth, from a star catalogue");
  app->footer("Example: coldframe solve wren_L.fits --catalogue field.csv -o wren_solved.fits");
  add_common(*app, o->common, true);
  app->add_option("in", o->in, "FITS image: a result, or a single frame")->required();
  app->add_option("-o,--out", o->out, "Copy with the solution to write (.fits)")->required();
  app->add_option("--table", o->job.table,
                  "Photometric table (CSV); default: beside the copy, as NAME_photometry.csv");
  add_solving_options(*app, o->texts, o->job.options, true);
  app->add_option("--detection", o->job.detection_sigma, "Detection limit for stars, sigma")
      ->check(CLI::Range(2.0, 100.0))
      ->capture_default_str();
  return {app, [o] { return run_solve(*o); }};
}

}  // namespace coldframe::cli
