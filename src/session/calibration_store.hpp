// What each light of one session is calibrated with.
#pragma once

#include <map>
#include <memory>
#include <optional>
#include <tuple>
#include <vector>

#include "coldframe/pipeline/calibration.hpp"
#include "coldframe/session/options.hpp"
#include "coldframe/session/pairing.hpp"
#include "coldframe/session/record.hpp"
#include "master_shelf.hpp"

namespace coldframe::session {

class CalibrationStore {
 public:
  CalibrationStore(const Inventory& inventory, const Pairing& pairing, const RunOptions& options,
                   SessionRecord& record, const Watch& watch);

  /// Builds (or finds) every master that a light needs; fills the record.
  void build_masters();
  /// The calibration of a light; shared by all lights with the same masters and camera.
  [[nodiscard]] std::shared_ptr<const pipeline::Calibration> calibration(std::size_t light);
  /// Identity of the calibration of a light, for cache keys.
  [[nodiscard]] std::string calibration_key(std::size_t light) const;
  /// Index into record.cameras.
  [[nodiscard]] int camera(std::size_t frame) const;
  /// Indices into record.masters that serve a light.
  [[nodiscard]] std::vector<int> masters_of(std::size_t light) const;
  /// Different calibrations among these lights.
  [[nodiscard]] std::size_t sets_among(const std::vector<std::size_t>& lights) const;
  /// Drops calibrations that nobody holds any more.
  void release();

 private:
  using Key = std::tuple<int, std::optional<std::size_t>, std::optional<std::size_t>, double,
                         std::optional<std::size_t>, float>;
  [[nodiscard]] Key key_of(std::size_t light) const;
  [[nodiscard]] std::shared_ptr<pipeline::Calibration> prepare(std::size_t light);
  void add_defects_from_lights(const Key& key, pipeline::Calibration& calibration);
  [[nodiscard]] const FrameInfo& info(std::size_t frame) const {
    return inventory_.frames[frame].info;
  }

  const Inventory& inventory_;
  const Pairing& pairing_;
  const RunOptions& options_;
  SessionRecord& record_;
  const Watch& watch_;
  std::vector<int> camera_of_frame_;
  MasterShelf shelf_;
  std::map<Key, std::shared_ptr<pipeline::Calibration>> calibrations_;
};

}  // namespace coldframe::session
