#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

struct Options {
  Common common;
  std::vector<std::string> sessions;
  std::string masters;
  session::MatchTolerances tolerances;
};

int execute(const Options& o) {
  const auto survey =
      session::survey_session({o.sessions.begin(), o.sessions.end()}, cards_of(o.common.supply),
                              o.tolerances, o.masters, threads_of(o.common), watch_of(o.common));
  end_progress();
  complain_left_out(survey.inventory.left_out);
  if (o.common.json) {
    print(session::survey_json(survey));
    return 0;
  }
  print(session::survey_text(survey));
  auto warnings = survey.inventory.warnings;
  warnings.insert(warnings.end(), survey.pairing.warnings.begin(), survey.pairing.warnings.end());
  for (const auto& warning : warnings) {
    print(fmt::format("warning: {} ({} {}, e.g. {})\n", printable(warning.message),
                      warning.files.size(), warning.files.size() == 1 ? "file" : "files",
                      warning.files.empty() ? "-" : printable(warning.files.front())));
  }
  return 0;
}

}  // namespace

Command add_survey(CLI::App& root) {
  auto o = std::make_shared<Options>();
  auto* app = root.add_subcommand("survey", "What is there, what fits what, what is missing");
  app->footer("Example: coldframe survey nights/2031-03-14");
  add_common(*app, o->common, true);
  app->add_option("session", o->sessions, "Folder to look through; several: nights of one target")
      ->required();
  app->add_option("--dark-tolerance", o->tolerances.temperature_c,
                  "Largest difference of sensor temperature between a dark and its lights, C");
  app->add_option("--masters", o->masters, "Folder of ready masters of other sessions");
  return {app, [o] { return execute(*o); }};
}

}  // namespace coldframe::cli
