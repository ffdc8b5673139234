/// \file
/// Building master frames from raw bias, dark and flat frames.
///
/// Arithmetic (design section 3): a master bias or dark is the outlier-rejected
/// mean of raw frames in ADU (a dark keeps its bias); a master flat is the
/// rejected mean of (flat - its own dark, else bias) normalised per frame, then
/// to mean 1 over good pixels, per colour of a mosaic. Each master carries the
/// variance of its mean per pixel.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/pixel_source.hpp"
#include "coldframe/stack/combine.hpp"

namespace coldframe::sensor {

enum class MasterKind { bias, dark, flat };

/// Flats: `remove` takes a plane in brightness over the frame out of the master, per colour (a
/// twilight sky is brighter on one side, the optics are not); what is not a plane (vignetting,
/// dust, pixel response) stays. Vignetting that lies off the frame's centre holds a plane of its
/// own, which would go too: not for such optics.
enum class FlatGradient { keep, remove };

struct MasterOptions {
  MasterKind kind = MasterKind::dark;
  CfaPattern cfa = CfaPattern::none;  ///< flats only: normalise each colour
  double saturation_adu = 65535.0;    ///< flats: pixels at or above are left out
  /// With fewer than `scale_frames` frames a rule that takes its scale from the samples gives way
  /// to the noise model of pair differences; with two frames nothing is rejected.
  stack::Rejection rule = stack::Rejection::winsorised;
  double kappa = 4.0;
  std::size_t memory_bytes = 512U << 20U;  ///< for tiles; the master's own planes come on top
  FlatGradient gradient = FlatGradient::keep;
  /// Flats: standard deviation of what is subtracted, ADU, same size; null: none known.
  const PixelSource* subtract_uncertainty = nullptr;
};

/// Fewest frames from which a pixel's own scatter is a usable scale for rejection.
inline constexpr int scale_frames = 8;

/// Something to know of a master or of the frames it came from.
struct MasterNote {
  /// Stable word for programs: "flat-saturated", "flat-dim", "flat-shape" (changes across the set),
  /// "flat-nonlinear", "dark-level", "few-frames"; "": no fault, only what was done.
  std::string code;
  std::string text;
  friend bool operator==(const MasterNote&, const MasterNote&) = default;
};

/// Thrown by `build_master` when no frame is fit.
class UnfitFrames : public Error {
 public:
  explicit UnfitFrames(std::vector<MasterNote> notes);
  [[nodiscard]] const std::vector<MasterNote>& notes() const noexcept { return notes_; }

 private:
  std::vector<MasterNote> notes_;
};

/// One master in memory. Flats: values about 1, unit-free; else ADU.
struct Master {
  Grid<float> value;
  /// Of `value`, per pixel: pooled noise model of the pair differences over the surviving samples;
  /// the pixel's own scatter where that is significantly larger (telegraph noise). Flats: that of
  /// what was subtracted included, where `MasterOptions::subtract_uncertainty` tells it.
  Grid<float> variance;
  Mask mask;                  ///< not_finite / saturated where no frame was usable
  int frames = 0;             ///< used
  std::vector<int> left_out;  ///< indices of the frames not used, each with a note
  double level_adu = 0.0;     ///< median value before normalising (dark subtracted for flats)
  double noise_adu = 0.0;     ///< median standard error of a pixel of `value`; flats: relative
  double frame_noise_adu =
      0.0;  ///< median noise of one pixel of one input frame (from pair differences)
  std::vector<MasterNote> notes;  ///< frames left out or suspicious, what else was done
};

/// Combines `frames` (all of one size; the caller checked kinds and matching).
/// `subtract` (flats: dark or bias of the flats, ADU, same size) may be null.
/// Throws Error(not_enough_data) for no frames, UnfitFrames when none can be used, Error(usage) for
/// differing sizes.
[[nodiscard]] Master build_master(std::span<const PixelSource* const> frames,
                                  const PixelSource* subtract, const MasterOptions& options,
                                  Threads threads, const Watch& watch = {});

/// Level of one flat as `build_master` normalises it: the mean over good central pixels.
[[nodiscard]] double flat_level(PlaneView<const float> flat);

}  // namespace coldframe::sensor
