/// \file
/// Weights of subs from a table of the owner's.
#pragma once

#include <filesystem>
#include <span>
#include <string>
#include <vector>

namespace coldframe::session {

struct OwnerWeight {
  std::string sub;      ///< path as the survey lists it, or the file's name alone
  double weight = 0.0;  ///< relative; 0: not used
};

/// Reads lines "path,weight" (the path may stand in double quotes; '#' starts a comment, a first
/// line "path,weight" is a heading). Throws Error(usage) naming file and line for anything else,
/// for negative weights, names given twice and tables without a weight above 0.
[[nodiscard]] std::vector<OwnerWeight> read_owner_weights(const std::filesystem::path& path);
/// The same from text; `source` is the name in errors.
[[nodiscard]] std::vector<OwnerWeight> parse_owner_weights(const std::string& text,
                                                           const std::string& source);

/// Weight of the sub at `path` (as the survey lists it, or its file name); < 0: not in the table.
[[nodiscard]] double owner_weight(std::span<const OwnerWeight> table, const std::string& name);

/// Throws Error(usage) when one of `subs` has no weight, or a line of the table names none of them.
void check_owner_weights(std::span<const OwnerWeight> table, std::span<const std::string> subs);

/// Those of `subs` that the table leaves out with weight 0.
[[nodiscard]] std::vector<std::string> weightless_subs(std::span<const OwnerWeight> table,
                                                       std::span<const std::string> subs);

}  // namespace coldframe::session
