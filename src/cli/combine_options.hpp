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
  std::string lines = "auto";
  std::string crosstalk;
  std::string particles = "auto";
};

/// Words for ways to fill in a mosaic's colours, and what they mean.
[[nodiscard]] std::vector<std::string> demosaic_names();
[[nodiscard]] sensor::Demosaic demosaic_of(const std::string& name);

void add_combine_options(CLI::App& app, CombineTexts& texts, session::RunOptions& run);
void apply(const CombineTexts& texts, session::RunOptions& run);

}  // namespace coldframe::cli
