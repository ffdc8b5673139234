/// \file
/// What the histogram of raw codes tells of a camera: step of the codes, lossy coding, saturation.
///
/// Data of 12 or 14 bits shifted left step by 16 or 4 and saturate below 65,535. Saturated pixels
/// pile up at one code (the converter's end) or crowd below one level (full wells, blurred by read
/// noise); light alone thins out upwards.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::sensor {

/// Counts of the codes -32768 .. 65535; of values above (32-bit integers, sums of frames) only
/// their number and the highest are kept.
class CodeHistogram {
 public:
  static constexpr int lowest_code = -32768;
  static constexpr int highest_code = 65535;

  CodeHistogram();
  void add(PlaneView<const float> pixels);
  void add(const CodeHistogram& other);
  [[nodiscard]] const std::vector<std::uint64_t>& counts() const noexcept { return counts_; }
  [[nodiscard]] std::uint64_t pixels() const noexcept { return pixels_; }  ///< with a code
  [[nodiscard]] std::uint64_t between_codes() const noexcept { return between_; }
  [[nodiscard]] std::uint64_t above() const noexcept { return above_; }
  /// Highest value above the range and how many pixels have it; 0 and 0 when there is none.
  [[nodiscard]] double highest_above() const noexcept { return highest_above_; }
  [[nodiscard]] std::uint64_t at_highest_above() const noexcept { return at_highest_above_; }

 private:
  std::vector<std::uint64_t> counts_;
  std::uint64_t pixels_ = 0;
  std::uint64_t between_ = 0;  ///< finite, no integer
  std::uint64_t above_ = 0;    ///< higher than the range
  std::uint64_t at_highest_above_ = 0;
  double highest_above_ = 0.0;

  void add_above(double value, std::uint64_t pixels);
};

enum class SaturationSign {
  pile,   ///< many pixels at one highest code
  crowd,  ///< many pixels just below one level, few beneath
};
struct Saturation {
  double level_adu = 0.0;  ///< pixels at or above are saturated
  SaturationSign sign = SaturationSign::pile;
  std::uint64_t pixels = 0;  ///< at or above it
};

struct CodeLevels {
  bool integers = true;
  double step = 1.0;       ///< of the lower codes in use; 0 when not integers
  double step_high = 1.0;  ///< of the upper codes; larger when the camera codes with loss
  bool lossy = false;      ///< the step grows with the level
  double lowest = 0.0, highest = 0.0;
  std::optional<Saturation> saturation;
};
/// Crowds are looked for in lights only: the pixels of a flat crowd by themselves.
enum class CodesOf { lights, calibration_frames };
[[nodiscard]] CodeLevels find_code_levels(const CodeHistogram& histogram, CodesOf frames);

/// End of the converter when nothing saturates: the last multiple of the step below 65,536; of data
/// that go higher, below the next power of two; 1 for fractions of the range (floats of 0 to 1).
[[nodiscard]] double converter_end(const CodeLevels& levels) noexcept;

}  // namespace coldframe::sensor
