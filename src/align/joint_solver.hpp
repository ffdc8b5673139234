/// \file
/// Least squares over all subs: each sub's own affine mapping, one distortion per set-up.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

#include "coldframe/align/distortion.hpp"

namespace coldframe::align {

struct JointPair {
  Point sub;
  Point reference;
  double error_px = 1.0;   ///< expected, per axis, in reference pixels
  std::uint32_t star = 0;  ///< of the reference: pairs with one star share its error
};

struct JointSub {
  std::size_t set_up = 0;
  std::array<double, 6> start{1, 0, 0, 0, 1, 0};  ///< a b tx / c d ty, sub -> reference
  std::vector<JointPair> pairs;
};

struct JointProblem {
  std::vector<JointSub> subs;
  std::vector<Distortion> set_ups;  ///< frames set; kind and coefficients are the solver's
  std::size_t reference_set_up = 0;
};

struct JointSolution {
  bool usable = false;
  std::vector<Distortion> set_ups;
  std::vector<std::array<double, 6>> own;  ///< undistorted sub -> undistorted reference
};

/// Residual of a pair in undistorted reference pixels.
[[nodiscard]] Point joint_residual(const JointSolution& solution, const JointProblem& problem,
                                   std::size_t sub, const JointPair& pair) noexcept;

/// Gauss-Newton with the subs' blocks eliminated (Schur complement); pairs beyond 3.5 robust sigma
/// of their sub are left out in the later steps. Pairs whose star is in fold `left_out` of `folds`
/// do not take part (folds 0: all do).
[[nodiscard]] JointSolution solve_jointly(const JointProblem& problem, DistortionKind kind,
                                          std::uint32_t folds = 0, std::uint32_t left_out = 0);

}  // namespace coldframe::align
