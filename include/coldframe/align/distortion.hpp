/// \file
/// The distortion of an optical set-up, fitted across all of its subs.
///
/// Optics draw the sky the same way in every sub. Where subs are shifted or turned against each
/// other, the same stars fall on different places of the field, and their mismatch under plain
/// affine mappings shows the distortion. One model for all subs rests on thousands of pairs, so
/// that the corners of a sub with few stars are as good as those of the best. The least squares
/// problem has the block structure of bundle adjustment (Brown 1976; Triggs et al. 2000): small
/// blocks of each sub's own mapping, one shared block of the distortion.
///
/// What no star shows stays zero: terms that no shift or turn of these subs can reveal are held by
/// a weak prior and do not matter for the mapping either.
#pragma once

#include <cstdint>
#include <span>
#include <string_view>
#include <vector>

#include "coldframe/align/match.hpp"

namespace coldframe::align {

/// From simple to general. `radial`: terms r^3 and r^5 about the frame's centre. `cubic`: all terms
/// of degree 2 and 3; `quintic`: of degree 2 to 5.
enum class DistortionKind { none, radial, cubic, quintic };
[[nodiscard]] std::string_view to_string(DistortionKind kind) noexcept;

/// Recorded position p -> undistorted position p + sum of c_k b_k((p - centre)/scale).
struct Distortion {
  DistortionKind kind = DistortionKind::none;
  Point centre;
  double scale = 1.0;                ///< half diagonal of the frame, pixels
  std::vector<double> coefficients;  ///< pixels at the frame's corner distance

  /// As DistortionKind says; order of terms: radial r^2, r^4 times the position; else by degree and
  /// falling power of u, all of x, then all of y.
  [[nodiscard]] static std::size_t terms(DistortionKind kind) noexcept;
  [[nodiscard]] Point undistort(Point recorded) const noexcept;
  /// Inverse of `undistort` by fixed-point iteration to 1e-9 px (NaN when it does not settle).
  [[nodiscard]] Point distort(Point undistorted) const noexcept;
};

/// One sub with a good first mapping, as `match_stars` finds it.
struct DistortedSub {
  std::span<const Star> stars;
  Transform start;         ///< sub -> reference
  std::size_t set_up = 0;  ///< whose optics drew it
};

struct DistortionOptions {
  std::vector<Size> frames;          ///< of each set-up
  std::size_t reference_set_up = 0;  ///< of the reference
  double tolerance_px = 3.0;         ///< pairs further apart under `start` are no pairs
  std::size_t most_subs = 60;        ///< evenly chosen among more
  std::size_t most_stars = 300;      ///< brightest pairs of each sub
  DistortionKind highest = DistortionKind::quintic;
};

struct DistortionFit {
  DistortionKind kind = DistortionKind::none;
  std::vector<Distortion>
      set_ups;  ///< by set-up; of kind `none` when the data ask for nothing more
  std::size_t subs = 0, pairs = 0;  ///< that took part
  /// Cross-validated residual per axis without and with the distortion, reference pixels.
  double plain_px = 0.0, modelled_px = 0.0;
};

/// The simplest model that the data do not refute: a more general one is taken when it predicts
/// stars left out (five folds by reference star) better by more than three standard errors.
[[nodiscard]] DistortionFit fit_distortion(std::span<const DistortedSub> subs,
                                           std::span<const Star> reference,
                                           const DistortionOptions& options);

/// One sub against the reference with known distortions: lists undistorted, paired again, own
/// mapping (similarity or affine, cross-validated) fitted, and all composed into one transform
/// (polynomial of the lowest order within 0.002 px of the composition over the frame).
/// `no_consensus` when too few pairs are left.
[[nodiscard]] MatchResult match_undistorted(const DistortedSub& sub, Size frame,
                                            std::span<const Star> reference,
                                            const Distortion& sub_optics,
                                            const Distortion& reference_optics,
                                            const MatchOptions& options = {});

/// How far a matched star lies from its partner.
struct ResidualVector {
  Point sub;                  ///< position in the sub
  double dx = 0.0, dy = 0.0;  ///< mapped minus reference, reference pixels
};
/// Of at most `most` pairs, evenly chosen over the list.
[[nodiscard]] std::vector<ResidualVector> residual_vectors(const MatchResult& match,
                                                           std::span<const Star> sub,
                                                           std::span<const Star> reference,
                                                           std::size_t most);

}  // namespace coldframe::align
