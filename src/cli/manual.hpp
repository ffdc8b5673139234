// Manual pages and shell completion from the command line's own definition.
#pragma once

#include <CLI/CLI.hpp>
#include <string>
#include <vector>

namespace coldframe::cli {

/// Page of one command in roff, section 1; of the program when `command` is empty.
/// Throws Error(usage) for an unknown command.
[[nodiscard]] std::string manual_page(const CLI::App& root, const std::string& command);

/// Script for "bash" (zsh reads it too) or "fish".
[[nodiscard]] std::string completion(const CLI::App& root, const std::string& shell);

/// The commands an owner sees, in the order of --help.
[[nodiscard]] std::vector<std::string> command_names(const CLI::App& root);

}  // namespace coldframe::cli
