// The masters of one session: built once, kept in OUT/masters, found again.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "coldframe/sensor/masters.hpp"
#include "coldframe/session/options.hpp"
#include "coldframe/session/pairing.hpp"
#include "coldframe/session/record.hpp"

namespace coldframe::session {

class MasterShelf {
 public:
  /// `camera_of_frame`: index into record.cameras for every frame.
  MasterShelf(const Inventory& inventory, const Pairing& pairing, const RunOptions& options,
              const std::vector<int>& camera_of_frame, SessionRecord& record, const Watch& watch);

  /// Builds (or finds) every master that a light needs; fills the record.
  void build_all();
  /// The master of a set; unset without one, or when none of its frames was fit (told when it was
  /// to be built).
  [[nodiscard]] std::optional<sensor::Master> load(std::optional<std::size_t> set) const;
  /// Identity of a set: its frames and all that its master depends on.
  [[nodiscard]] std::string key(std::size_t set) const;
  /// Index into record.masters; unset: no light needs it.
  [[nodiscard]] std::optional<int> record_row(std::size_t set) const { return record_of_set_[set]; }

 private:
  void build(std::size_t set);
  [[nodiscard]] sensor::Master combine(const FrameSet& set, Header& header);
  void note(std::size_t set, const sensor::Master& master);
  void give_up(std::size_t set, const sensor::UnfitFrames& fault);
  [[nodiscard]] std::filesystem::path path_of(const FrameSet& set) const;
  [[nodiscard]] double saturation_of(const FrameSet& set) const;
  [[nodiscard]] const FrameInfo& info(std::size_t frame) const {
    return inventory_.frames[frame].info;
  }

  const Inventory& inventory_;
  const Pairing& pairing_;
  const RunOptions& options_;
  const std::vector<int>& camera_of_frame_;
  SessionRecord& record_;
  const Watch& watch_;
  std::vector<std::optional<int>> record_of_set_;
  std::vector<bool> unfit_;
};

}  // namespace coldframe::session
