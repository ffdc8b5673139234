/// \file
/// Finding and repairing pixels that do not measure light.
#pragma once

#include <cstdint>
#include <span>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"

namespace coldframe::sensor {

struct DefectOptions {
  /// Hot or cold in the dark: deviation from the local median of same-colour neighbours in
  /// units of the expected noise of one frame's pixel there (so a pixel is called
  /// hot when it would hurt a light). Where the dark glows the noise is that of the glow. Where
  /// the sensor's fixed pattern exceeds that noise, its robust scatter is the unit instead: what
  /// most pixels have is subtracted with the dark and is no defect.
  double dark_kappa = 5.0;
  /// Flat response: deviation from the local median in units of the flat's own pixel-to-pixel
  /// scatter there, ...
  double flat_kappa = 6.0;
  /// ... but never called below this relative deviation (the flat corrects it) ...
  double flat_least = 0.1;
  /// ... and always beyond this one.
  double flat_most = 0.5;
  /// Columns (and rows) whose median deviates by this many sigma of columns.
  double column_kappa = 8.0;
  /// Columns and rows of the flat: least relative deviation.
  double flat_line_least = 0.05;
  /// Unstable (telegraph noise): scatter in the dark above this many times the usual one there. A
  /// master's variance leaves the pooled model only for scatter beyond chance, so few are false.
  double unstable_factor = 2.0;
};

struct DefectReport {
  std::int64_t hot = 0;
  std::int64_t cold = 0;
  std::int64_t flat = 0;
  std::int64_t unstable = 0;   ///< not counted as hot or cold already
  std::int64_t clustered = 0;  ///< found in the second look, among the neighbours of others
  int columns = 0;             ///< of dark or flat
  int rows = 0;
};

/// Marks mask_bit::defect in `mask` (size of the frame). `dark` (ADU) and
/// `flat` (normalised) may be empty views. `frame_noise_adu` is the noise of one
/// pixel of one frame (read noise and dark current's shot noise).
DefectReport find_defects(PlaneView<const float> dark, PlaneView<const float> dark_variance,
                          PlaneView<const float> flat, double frame_noise_adu, CfaPattern cfa,
                          const DefectOptions& options, PlaneView<std::uint8_t> mask,
                          Threads threads);

/// How many star-like peaks of the first light there are, and how many of them are at the same
/// pixel in most lights. The sums of several bands tell whether the sky moves on the sensor.
struct PeakCount {
  std::int64_t stars = 0;
  std::int64_t staying = 0;
  /// The sky moves: hardly any star stays.
  [[nodiscard]] bool sky_moves() const noexcept { return stars >= 10 && 10 * staying <= stars; }
};
[[nodiscard]] PeakCount count_peaks(std::span<const PlaneView<const float>> lights, CfaPattern cfa,
                                    double kappa);

/// Defects of a session without darks: pixels that stand out alike at one place of
/// the sensor in most lights. `lights` are calibrated, sky-subtracted frames in units of their
/// noise (3 or more, spread over the session). Unless `sky_moves` (see PeakCount) a pixel whose
/// neighbours share in its light is taken for a star, so clusters are left in.
/// A pixel is called when the median of its deviations is beyond kappa less the error of that
/// median.
DefectReport find_defects_in_lights(std::span<const PlaneView<const float>> lights, CfaPattern cfa,
                                    double kappa, bool sky_moves, PlaneView<std::uint8_t> mask,
                                    Threads threads);

/// Replaces pixels of `values` that have any of `bits` set in `mask` by the median of good
/// neighbours of the same colour within `margin` (2 mono, 4 mosaic) pixels; the bit stays.
/// `origin_x/y`: absolute position of pixel (0,0), for the colour. Pixels without a good neighbour
/// become 0 and get mask_bit::not_finite. Values read are the unrepaired ones, so any tiling gives
/// the same result when the band carries the margin.
void repair(PlaneView<const float> values, PlaneView<std::uint8_t> mask, std::uint8_t bits,
            CfaPattern cfa, int origin_x, int origin_y, PlaneView<float> out);

/// The same on the values themselves: only pixels without any of `bits` are read.
void repair_in_place(PlaneView<float> values, PlaneView<std::uint8_t> mask, std::uint8_t bits,
                     CfaPattern cfa, int origin_x, int origin_y);

/// Rows and columns beyond a band that `repair` looks at.
[[nodiscard]] constexpr int repair_margin(CfaPattern cfa) noexcept {
  return cfa == CfaPattern::none ? 2 : 4;
}

}  // namespace coldframe::sensor
