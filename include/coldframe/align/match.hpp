/// \file
/// Finding the mapping between two star lists of the same sky.
///
/// Triangles of the brightest stars in a scale- and rotation-invariant space
/// (Groth 1986, AJ 91, 1244; Valdes et al. 1995, PASP 107, 1119), nearest
/// neighbours by k-d tree, votes on star pairs, then a robust fit (MSAC, Torr &
/// Zisserman 2000) grown to all pairs. Any shift, rotation, scale and, when
/// allowed, mirror image.
#pragma once

#include <cstdint>
#include <span>
#include <string_view>
#include <utility>
#include <vector>

#include "coldframe/core/star.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::align {

struct MatchOptions {
  int brightest = 60;         ///< stars of each list that form triangles (grown when that fails)
  double tolerance_px = 2.0;  ///< pairs further apart are no pairs
  int minimum_pairs = 6;
  double max_false_probability = 1e-6;
  bool allow_mirror = true;
  double min_scale = 0.25;
  double max_scale = 4.0;
  TransformModel highest_model = TransformModel::affine;  ///< most general model tried
  std::uint64_t seed = 1;  ///< of the random samples; results are deterministic
};

enum class MatchStatus {
  matched,        ///< transform usable
  too_few_stars,  ///< a list is shorter than minimum_pairs
  no_consensus,   ///< no mapping gathered enough pairs
  ambiguous       ///< pairs found, but chance could do it (false probability too high)
};
[[nodiscard]] std::string_view to_string(MatchStatus status) noexcept;

struct MatchResult {
  MatchStatus status = MatchStatus::too_few_stars;
  Transform transform;                                     ///< sub -> reference
  std::vector<std::pair<std::size_t, std::size_t>> pairs;  ///< indices (sub, reference)
  double rms_px = 0.0;     ///< of the residuals per axis, in reference pixels
  double median_px = 0.0;  ///< of the residual distances
  double false_probability = 1.0;
};

[[nodiscard]] MatchResult match_stars(std::span<const Star> sub, std::span<const Star> reference,
                                      const MatchOptions& options);

/// The simplest model up to polynomials of order 5 that the pairs of a first match do not refute,
/// by five-fold cross-validation: homography or cubic where a sensor is tilted or optics distort
/// and no other sub shares them. A model that bends needs pairs all over the part of the sub that
/// lies among the reference's stars; `first` is returned where similarity or affine do.
[[nodiscard]] MatchResult refine_model(std::span<const Star> sub, Size frame,
                                       std::span<const Star> reference, const MatchResult& first,
                                       const MatchOptions& options = {});

/// Least squares fit of one model to point pairs with weights (may be empty).
struct TransformFit {
  bool usable = false;
  Transform transform;
  double rms_px = 0.0;  ///< per axis, weighted
};
/// `order` is used by polynomial only. Umeyama 1991 (TPAMI 13, 376) for similarity.
[[nodiscard]] TransformFit fit_transform(TransformModel model, std::span<const Point> from,
                                         std::span<const Point> to,
                                         std::span<const double> weights = {}, int order = 3);
/// Closed-form similarity; `allow_mirror` false forces a proper rotation.
[[nodiscard]] TransformFit fit_similarity(std::span<const Point> from, std::span<const Point> to,
                                          bool allow_mirror);

}  // namespace coldframe::align
