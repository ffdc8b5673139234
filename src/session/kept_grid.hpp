// Reference, grid and flux scale of a first run, kept when nights are added to it.
#pragma once

#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "coldframe/session/record.hpp"
#include "group_state.hpp"

namespace coldframe::session {

/// What names a sub whatever folders are given: its measurement in OUT/measure. Empty: not cached.
[[nodiscard]] std::string sub_identity(const SubState& sub);

/// Of `OUT/measure/grid.json`.
struct KeptGrid {
  struct Result {
    std::string object, filter;
    std::string reference;  ///< identity of the sub that gave the grid
    std::string scale;      ///< of the sub that gave the flux scale
  };
  std::vector<Result> results;
  std::vector<std::string> subs;  ///< identities of all
  bool kept = false;              ///< it had been kept from a run before

  [[nodiscard]] const Result* find(const std::string& object, const std::string& filter) const;
  /// Identity of the reference of any result of the object; "": none.
  [[nodiscard]] std::string reference_of(const std::string& object) const;
};

/// What an earlier run left, if that is to stay: when these groups hold subs that it had not, or
/// when it was kept before. Otherwise, or when nothing readable is there, empty.
[[nodiscard]] KeptGrid grid_to_keep(const std::filesystem::path& out,
                                    std::span<const GroupState> groups);

void write_grid(const std::filesystem::path& out, const KeptGrid& grid);

}  // namespace coldframe::session
