// Options that `run` and `integrate` share.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

#include "coldframe/session/options.hpp"

namespace coldframe::cli {

struct CombineTexts {
  std::string rule = "noise-model";
  std::string weights = "inverse-variance";
  std::string weights_file;
  std::string sky = "surface";
  std::string canvas = "reference";
  std::string kernel = "lanczos3";
  std::string demosaic = "own-lattice";
};

void add_combine_options(CLI::App& app, CombineTexts& texts, session::RunOptions& run);
void apply(const CombineTexts& texts, session::RunOptions& run);

}  // namespace coldframe::cli
