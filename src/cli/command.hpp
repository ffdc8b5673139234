// What all commands share: common options, progress, printing of faults.
#pragma once

#include <CLI/CLI.hpp>
#include <atomic>
#include <functional>
#include <string>
#include <vector>

#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/session/inventory.hpp"
#include "coldframe/session/options.hpp"
#include "coldframe/session/record.hpp"

namespace coldframe::cli {

/// Options that every command has.
struct Common {
  bool json = false;
  bool quiet = false;
  int threads = 0;
  std::string memory;  ///< empty: default rule
  std::vector<std::string> supply;
};

/// A command ready to run; returns the exit status.
struct Command {
  CLI::App* app = nullptr;
  std::function<int()> run;
};

/// Adds the common options. `frames`: also --memory and --supply.
void add_common(CLI::App& app, Common& common, bool frames);

[[nodiscard]] Threads threads_of(const Common& common);
/// Bytes of "512M", "1.5G", "2GiB" or a plain number; 0 when empty. Throws Error(usage).
[[nodiscard]] std::size_t bytes_of(const std::string& text);
/// KEYWORD=VALUE pairs. Throws Error(usage).
[[nodiscard]] std::vector<session::SuppliedCard> cards_of(const std::vector<std::string>& supply);

/// --flat-gradient keep|remove.
void add_flat_gradient(CLI::App& app, std::string& choice);
[[nodiscard]] sensor::FlatGradient flat_gradient_of(const std::string& choice);

/// A watch with progress (unless quiet) and the stop flag of Ctrl-C.
[[nodiscard]] Watch watch_of(const Common& common);
/// Ends an unfinished progress line.
void end_progress();

/// Throws Error(usage) unless the name ends in .fits.
void require_fits_name(const std::string& name);

/// Prints `text` on stdout (and says so when that fails).
void print(const std::string& text);
/// `text` with lines broken between words to at most `columns`, what follows indented by two more.
[[nodiscard]] std::string wrapped(const std::string& text, std::size_t columns);
/// Prints a summary for people: wrapped to 80 columns on a terminal, line by line elsewhere.
void print_summary(const std::string& text);
/// One line on stderr.
void complain(const std::string& line);
/// A line per stage on stderr: time, CPU, bytes, memory.
void print_timings(const std::vector<session::StageTime>& timings);
void complain_left_out(const std::vector<session::LeftOut>& left_out);

// One function per command file.
[[nodiscard]] Command add_run(CLI::App& root);
[[nodiscard]] Command add_survey(CLI::App& root);
[[nodiscard]] Command add_master(CLI::App& root);
[[nodiscard]] Command add_camera(CLI::App& root);
[[nodiscard]] Command add_calibrate(CLI::App& root);
[[nodiscard]] Command add_stars(CLI::App& root);
[[nodiscard]] Command add_register(CLI::App& root);
[[nodiscard]] Command add_integrate(CLI::App& root);
[[nodiscard]] Command add_render(CLI::App& root);
[[nodiscard]] Command add_background(CLI::App& root);
[[nodiscard]] Command add_solve(CLI::App& root);
[[nodiscard]] Command add_simulate(CLI::App& root);
[[nodiscard]] Command add_verify(CLI::App& root);
[[nodiscard]] Command add_plan(CLI::App& root);
[[nodiscard]] Command add_compare(CLI::App& root);
[[nodiscard]] Command add_manual(CLI::App& root);
[[nodiscard]] Command add_completion(CLI::App& root);

/// The options of `app` as TOML, for recipe files.
[[nodiscard]] std::string recipe_of(const CLI::App& app);
/// Installs --recipe on the root.
void add_recipe(CLI::App& root);

}  // namespace coldframe::cli
