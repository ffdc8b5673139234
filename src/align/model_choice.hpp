/// \file
/// Robust fits to paired stars, and how general a model the data ask for.
#pragma once

#include <vector>

#include "align/star_pairs.hpp"

namespace coldframe::align {

/// A model with its order (polynomial only) and hand (similarity only).
struct ModelKind {
  TransformModel model = TransformModel::similarity;
  int order = 1;
  bool mirrored = false;
};

struct RobustFit {
  bool usable = false;
  Transform transform;
  std::vector<IndexPair> kept;  ///< with distances under the fitted transform
  double sigma_px = 0.0;        ///< robust scale of the residuals per axis
};

/// Pairs needed to consider a model at all.
[[nodiscard]] std::size_t pairs_needed(const ModelKind& kind) noexcept;

/// Weighted least squares, repeated without the pairs beyond 3.5 robust sigma.
[[nodiscard]] RobustFit fit_robustly(const Lists& lists, const std::vector<IndexPair>& pairs,
                                     const ModelKind& kind);

/// The simplest model up to `highest` that the data do not refute: a more general one
/// is taken when it lowers the five-fold cross-validated squared residuals by more
/// than three standard errors of the paired differences (four for models that bend).
[[nodiscard]] ModelKind choose_model(const Lists& lists, const std::vector<IndexPair>& pairs,
                                     TransformModel highest, bool mirrored);

}  // namespace coldframe::align
