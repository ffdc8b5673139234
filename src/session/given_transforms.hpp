// The owner's transforms in place of matching.
#pragma once

#include <filesystem>
#include <span>
#include <string>
#include <vector>

#include "coldframe/session/tools.hpp"
#include "group_state.hpp"

namespace coldframe::session {

class GivenTransforms {
 public:
  /// Reads what `register` wrote. Throws Error(usage) that names the file.
  explicit GivenTransforms(std::filesystem::path file);

  /// Which of the files is its reference. Throws Error(usage) when none is.
  [[nodiscard]] std::size_t reference_among(std::span<const std::filesystem::path> files) const;

  /// True when the file's reference is a sub of these groups.
  [[nodiscard]] bool concern(std::span<GroupState* const> groups) const;

  /// Sets `SubState::given` of the subs that the file tells; the file's reference. Throws
  /// Error(usage) when that is not usable, has another size than the file says, or does not lie on
  /// its own grid.
  const SubState& hand_out(std::span<GroupState* const> groups) const;

  /// Matched rows of files that are none of these.
  [[nodiscard]] std::vector<std::string> strangers(
      std::span<const std::filesystem::path> files) const;

  [[nodiscard]] const std::filesystem::path& file() const noexcept { return file_; }

 private:
  std::filesystem::path file_;
  RegisterOutcome known_;
};

/// The match of a usable sub as given; stars in common tell the scale of light all the same.
void take_given(SubState& sub, const SubState& reference);

}  // namespace coldframe::session
