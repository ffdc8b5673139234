// Options of `run` and `solve` for the catalogue and the search.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "coldframe/session/solving.hpp"

namespace coldframe::cli {

struct SolvingTexts {
  std::string position;
  std::vector<std::string> columns;
};

void add_solving_options(CLI::App& app, SolvingTexts& texts, session::SolvingOptions& options,
                         bool catalogue_required);
/// Throws Error(usage).
void apply(const SolvingTexts& texts, session::SolvingOptions& options);

}  // namespace coldframe::cli
