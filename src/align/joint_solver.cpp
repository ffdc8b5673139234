#include "align/joint_solver.hpp"

#include <Eigen/Dense>
#include <cmath>

#include "align/distortion_basis.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr int own_terms = 6;
// Prior of a coefficient: no optics that anybody uses bend more than this at the corners.
constexpr double prior_px = 50.0;

Point affine_at(const std::array<double, 6>& a, Point p) noexcept {
  return {a[0] * p.x + a[1] * p.y + a[2], a[3] * p.x + a[4] * p.y + a[5]};
}

bool in_fold(const JointPair& pair, std::uint32_t folds, std::uint32_t left_out) noexcept {
  return folds > 0 && pair.star % folds == left_out;
}

// Normal equations of one sub: own block, coupling, and what it adds to the shared block.
struct SubBlocks {
  MatrixXd own = MatrixXd::Zero(own_terms, own_terms);
  MatrixXd coupling;
  VectorXd own_right = VectorXd::Zero(own_terms);
};

class Solver {
 public:
  Solver(const JointProblem& problem, DistortionKind kind, std::uint32_t folds,
         std::uint32_t left_out)
      : problem_(problem), folds_(folds), left_out_(left_out) {
    solution_.set_ups = problem.set_ups;
    terms_ = Distortion::terms(kind);
    for (auto& optics : solution_.set_ups) {
      optics.kind = kind;
      optics.coefficients.assign(terms_, 0.0);
    }
    shared_ = static_cast<Index>(terms_ * solution_.set_ups.size());
    for (const auto& sub : problem.subs) {
      solution_.own.push_back(sub.start);
      weights_.emplace_back();
      for (const auto& pair : sub.pairs) {
        const bool out = in_fold(pair, folds, left_out);
        weights_.back().push_back(out ? 0.0 : 1.0 / (pair.error_px * pair.error_px));
      }
    }
  }

  JointSolution run() {
    constexpr int steps = 6;
    for (int step = 0; step < steps; ++step) {
      if (!improve()) return {};
      if (step >= 1) clip();
    }
    solution_.usable = true;
    return std::move(solution_);
  }

 private:
  // One Gauss-Newton step.
  bool improve() {
    MatrixXd shared = MatrixXd::Identity(shared_, shared_) / (prior_px * prior_px);
    VectorXd right(shared_);
    for (Index i = 0; i < shared_; ++i) right[i] = -coefficient(i) / (prior_px * prior_px);
    std::vector<SubBlocks> blocks;
    std::vector<Eigen::LDLT<MatrixXd>> own;
    for (std::size_t i = 0; i < problem_.subs.size(); ++i) {
      blocks.push_back(blocks_of(i, shared, right));
      own.emplace_back(blocks.back().own);
      if (own.back().info() != Eigen::Success) return false;
      const auto& b = blocks.back();
      if (shared_ == 0) continue;
      shared -= b.coupling.transpose() * own.back().solve(b.coupling);
      right -= b.coupling.transpose() * own.back().solve(b.own_right);
    }
    VectorXd change = VectorXd::Zero(shared_);
    if (shared_ > 0) change = shared.ldlt().solve(right);
    if (!change.allFinite()) return false;
    for (Index i = 0; i < shared_; ++i) coefficient(i) += change[i];
    for (std::size_t i = 0; i < blocks.size(); ++i) {
      VectorXd rest = blocks[i].own_right;
      if (shared_ > 0) rest -= blocks[i].coupling * change;
      const VectorXd step = own[i].solve(rest);
      if (!step.allFinite()) return false;
      move_own(i, step);
    }
    return true;
  }

  double& coefficient(Index i) {
    const auto k = static_cast<std::size_t>(i);
    return solution_.set_ups[k / terms_].coefficients[k % terms_];
  }

  // Own parameters live in normalised coordinates of the sub for the sake of the numbers.
  void move_own(std::size_t i, const VectorXd& step) {
    auto& a = solution_.own[i];
    const Distortion& optics = solution_.set_ups[problem_.subs[i].set_up];
    for (Index axis = 0; axis < 2; ++axis) {
      const double du = step[3 * axis] / optics.scale, dv = step[3 * axis + 1] / optics.scale;
      const auto k = static_cast<std::size_t>(3 * axis);
      a[k] += du;
      a[k + 1] += dv;
      a[k + 2] += step[3 * axis + 2] - du * optics.centre.x - dv * optics.centre.y;
    }
  }

  SubBlocks blocks_of(std::size_t i, MatrixXd& shared, VectorXd& right) {
    SubBlocks b;
    b.coupling = MatrixXd::Zero(own_terms, shared_);
    const auto& sub = problem_.subs[i];
    const auto& optics = solution_.set_ups[sub.set_up];
    const auto& a = solution_.own[i];
    Eigen::Matrix<double, 2, Eigen::Dynamic> bend(2, shared_);
    for (std::size_t k = 0; k < sub.pairs.size(); ++k) {
      const double w = weights_[i][k];
      if (w == 0.0) continue;
      const auto& pair = sub.pairs[k];
      const Point r = joint_residual(solution_, problem_, i, pair);
      const Point p = optics.undistort(pair.sub);
      const Eigen::Vector3d place((p.x - optics.centre.x) / optics.scale,
                                  (p.y - optics.centre.y) / optics.scale, 1.0);
      bend_of(sub, a, pair, bend);
      const Eigen::Matrix3d square = w * place * place.transpose();
      b.own.topLeftCorner<3, 3>() += square;
      b.own.bottomRightCorner<3, 3>() += square;
      b.own_right.head<3>() -= w * r.x * place;
      b.own_right.tail<3>() -= w * r.y * place;
      if (shared_ == 0) continue;
      b.coupling.topRows<3>().noalias() += w * place * bend.row(0);
      b.coupling.bottomRows<3>().noalias() += w * place * bend.row(1);
      shared.noalias() += w * bend.transpose() * bend;
      right.noalias() -= w * bend.transpose() * Eigen::Vector2d(r.x, r.y);
    }
    return b;
  }

  // Derivatives of a residual by the coefficients of all set-ups.
  void bend_of(const JointSub& sub, const std::array<double, 6>& a, const JointPair& pair,
               Eigen::Matrix<double, 2, Eigen::Dynamic>& bend) {
    bend.setZero();
    const auto offset = [&](std::size_t set_up) { return static_cast<Index>(set_up * terms_); };
    basis_at(solution_.set_ups[sub.set_up], pair.sub, basis_);
    for (std::size_t k = 0; k < terms_; ++k) {
      const Index column = offset(sub.set_up) + static_cast<Index>(k);
      bend(0, column) += a[0] * basis_.x[k] + a[1] * basis_.y[k];
      bend(1, column) += a[3] * basis_.x[k] + a[4] * basis_.y[k];
    }
    basis_at(solution_.set_ups[problem_.reference_set_up], pair.reference, basis_);
    for (std::size_t k = 0; k < terms_; ++k) {
      const Index column = offset(problem_.reference_set_up) + static_cast<Index>(k);
      bend(0, column) -= basis_.x[k];
      bend(1, column) -= basis_.y[k];
    }
  }

  void clip() {
    constexpr double clip_sigma = 3.5, median_distance = 1.1774100225154747;
    for (std::size_t i = 0; i < problem_.subs.size(); ++i) {
      const auto& pairs = problem_.subs[i].pairs;
      std::vector<double> relative, training;
      for (const auto& pair : pairs) {
        const Point r = joint_residual(solution_, problem_, i, pair);
        relative.push_back(std::sqrt(r.x * r.x + r.y * r.y) / pair.error_px);
        if (!in_fold(pair, folds_, left_out_)) training.push_back(relative.back());
      }
      if (training.empty()) continue;
      const double most = clip_sigma * median_in_place(training) / median_distance + 1e-6;
      for (std::size_t k = 0; k < pairs.size(); ++k) {
        const bool out = in_fold(pairs[k], folds_, left_out_) || relative[k] > most;
        weights_[i][k] = out ? 0.0 : 1.0 / (pairs[k].error_px * pairs[k].error_px);
      }
    }
  }

  const JointProblem& problem_;
  std::uint32_t folds_, left_out_;
  JointSolution solution_;
  std::size_t terms_ = 0;
  Index shared_ = 0;
  std::vector<std::vector<double>> weights_;
  BasisValues basis_;
};

}  // namespace

Point joint_residual(const JointSolution& solution, const JointProblem& problem, std::size_t sub,
                     const JointPair& pair) noexcept {
  const Point p = solution.set_ups[problem.subs[sub].set_up].undistort(pair.sub);
  const Point q = solution.set_ups[problem.reference_set_up].undistort(pair.reference);
  const Point mapped = affine_at(solution.own[sub], p);
  return {mapped.x - q.x, mapped.y - q.y};
}

JointSolution solve_jointly(const JointProblem& problem, DistortionKind kind, std::uint32_t folds,
                            std::uint32_t left_out) {
  return Solver(problem, kind, folds, left_out).run();
}

}  // namespace coldframe::align
