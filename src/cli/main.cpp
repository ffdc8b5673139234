#include <fmt/format.h>
#include <unistd.h>

#include <csignal>
#include <cstdlib>
#include <new>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "command.hpp"

namespace coldframe::cli {
namespace {

// Threads that wait should sleep: the owner has a browser open. libgomp reads
// the policy when it loads, so the program sets it and starts itself once more.
void wait_passively(char** argv) {
  if (std::getenv("OMP_WAIT_POLICY") != nullptr || std::getenv("GOMP_SPINCOUNT") != nullptr) return;
  setenv("OMP_WAIT_POLICY", "passive", 1);
  execv("/proc/self/exe", argv);
  // Without /proc the program goes on as it is.
}

int dispatch(CLI::App& root, const std::vector<Command>& commands, int argc, char** argv) {
  try {
    root.parse(argc, argv);
  } catch (const CLI::Success& wish) {
    return root.exit(wish);  // --help, --version
  } catch (const CLI::ParseError& error) {
    complain(printable(error.what()) + "; see coldframe --help");
    return exit_status(ErrorKind::usage);
  }
  for (const auto& command : commands) {
    if (command.app->parsed()) return command.run();
  }
  complain("no command given; see coldframe --help");
  return exit_status(ErrorKind::usage);
}

int guarded(int argc, char** argv) {
  CLI::App root("Coldframe: from a night's raw FITS subs to one deep, honest image", "coldframe");
  root.set_version_flag("--version", std::string("coldframe ") + std::string(version()));
  root.require_subcommand(0, 1);
  root.footer("Each command has its own --help with an example.");
  add_recipe(root);
  const std::vector<Command> commands = {add_run(root),      add_survey(root),     add_master(root),
                                         add_camera(root),   add_calibrate(root),  add_stars(root),
                                         add_register(root), add_integrate(root),  add_render(root),
                                         add_simulate(root), add_verify(root),     add_plan(root),
                                         add_compare(root),  add_background(root), add_solve(root),
                                         add_manual(root),   add_completion(root)};
  try {
    return dispatch(root, commands, argc, argv);
  } catch (const Error& error) {
    complain(error.what());
    return exit_status(error.kind());
  } catch (const std::bad_alloc&) {
    complain("out of memory; give a smaller --memory or close other programs");
    return exit_status(ErrorKind::io);
  } catch (const std::exception& error) {
    complain(std::string("unexpected fault: ") + printable(error.what()) + "; please report it");
    return exit_status(ErrorKind::io);
  }
}

}  // namespace
}  // namespace coldframe::cli

int main(int argc, char** argv) {
  // A full disk or a closed pipe must come back as an error, not end the program.
  std::signal(SIGXFSZ, SIG_IGN);
  std::signal(SIGPIPE, SIG_IGN);
  coldframe::cli::wait_passively(argv);
  return coldframe::cli::guarded(argc, argv);
}
