#include "coldframe/core/least_squares.hpp"

#include <Eigen/Core>
#include <Eigen/QR>
#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/error.hpp"

namespace coldframe {
namespace {

using RowMatrix = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

// Column lengths, 1 for empty columns.
VectorXd column_lengths(const MatrixXd& matrix) {
  VectorXd lengths = matrix.colwise().norm().transpose();
  for (Index j = 0; j < lengths.size(); ++j) {
    if (!(lengths[j] > 0.0)) lengths[j] = 1.0;
  }
  return lengths;
}

// (A^T A)^-1 row-major from the QR of A with its columns divided by `lengths`.
std::vector<double> covariance_of(const Eigen::ColPivHouseholderQR<MatrixXd>& qr,
                                  const VectorXd& lengths) {
  const Index n = lengths.size();
  MatrixXd inverse = MatrixXd::Identity(n, n);
  qr.matrixR().topLeftCorner(n, n).triangularView<Eigen::Upper>().solveInPlace(inverse);
  MatrixXd root = qr.colsPermutation() * inverse;
  for (Index i = 0; i < n; ++i) root.row(i) /= lengths[i];
  std::vector<double> result(static_cast<std::size_t>(n * n));
  Eigen::Map<RowMatrix>(result.data(), n, n) = root * root.transpose();
  return result;
}

}  // namespace

LinearFit linear_least_squares(std::span<const double> design, std::size_t columns,
                               std::span<const double> values, std::span<const double> weights) {
  const std::size_t rows = values.size();
  if (columns == 0 || design.size() != rows * columns ||
      (!weights.empty() && weights.size() != rows)) {
    throw Error(ErrorKind::usage, "", "the sizes of a least-squares problem contradict each other",
                "");
  }
  LinearFit fit;
  if (rows < columns) return fit;
  const auto m = static_cast<Index>(rows);
  const auto n = static_cast<Index>(columns);
  MatrixXd a = Eigen::Map<const RowMatrix>(design.data(), m, n);
  VectorXd b = Eigen::Map<const VectorXd>(values.data(), m);
  if (!weights.empty()) {
    for (Index i = 0; i < m; ++i) {
      const double root = std::sqrt(weights[static_cast<std::size_t>(i)]);
      a.row(i) *= root;
      b[i] *= root;
    }
  }
  if (!a.allFinite() || !b.allFinite()) {
    fit.status = FitStatus::not_finite;
    return fit;
  }
  const VectorXd lengths = column_lengths(a);
  a.array().rowwise() /= lengths.transpose().array();
  const Eigen::ColPivHouseholderQR<MatrixXd> qr(a);
  fit.rank = static_cast<int>(qr.rank());
  VectorXd x = qr.solve(b);
  fit.sum_of_squares = (b - a * x).squaredNorm();
  x.array() /= lengths.array();
  fit.coefficients.assign(x.data(), x.data() + n);
  if (qr.rank() < n) return fit;
  fit.status = FitStatus::converged;
  fit.covariance = covariance_of(qr, lengths);
  return fit;
}

namespace {

/// One Levenberg-Marquardt run; the working space is allocated once.
class Minimiser {
 public:
  Minimiser(std::span<double> parameters, std::size_t residuals, const ResidualFunction& function,
            const LevenbergMarquardtOptions& options)
      : parameters_(parameters),
        function_(function),
        options_(options),
        n_(static_cast<Index>(parameters.size())),
        m_(static_cast<Index>(residuals)),
        x_(Eigen::Map<const VectorXd>(parameters.data(), n_)),
        trial_(n_),
        r_(m_),
        trial_r_(m_),
        jacobian_(RowMatrix::Zero(m_, n_)),
        lengths_(VectorXd::Zero(n_)),
        triangle_(n_, n_),
        qtr_(n_),
        stacked_(2 * n_, n_),
        stacked_rhs_(2 * n_),
        step_(n_),
        qr_(m_, n_),
        damped_(2 * n_, n_) {}

  FitReport run() {
    FitReport report;
    report.status = iterate(report.iterations);
    Eigen::Map<VectorXd>(parameters_.data(), n_) = x_;
    report.sum_of_squares = cost_;
    const auto cells = static_cast<std::size_t>(n_ * n_);
    report.covariance.assign(cells, std::numeric_limits<double>::quiet_NaN());
    if (report.status == FitStatus::not_finite) return report;
    const MatrixXd columns = jacobian_;
    const VectorXd lengths = column_lengths(columns);
    const Eigen::ColPivHouseholderQR<MatrixXd> qr(
        MatrixXd(columns * lengths.cwiseInverse().asDiagonal()));
    if (qr.rank() < n_ || faded(lengths)) {
      report.status = FitStatus::singular;
    } else {
      report.covariance = covariance_of(qr, lengths);
    }
    return report;
  }

 private:
  bool evaluate_all() {
    function_({x_.data(), parameters_.size()}, {r_.data(), static_cast<std::size_t>(m_)},
              {jacobian_.data(), static_cast<std::size_t>(m_ * n_)});
    cost_ = r_.squaredNorm();
    return std::isfinite(cost_) && jacobian_.allFinite();
  }

  double trial_cost() {
    function_({trial_.data(), parameters_.size()}, {trial_r_.data(), static_cast<std::size_t>(m_)},
              {});
    return trial_r_.squaredNorm();
  }

  // Reduces the m rows to a triangle once per accepted step; damping works on that.
  void factorise() {
    qr_.compute(jacobian_);
    triangle_ = qr_.matrixQR().topRows(n_).triangularView<Eigen::Upper>();
    VectorXd rotated = qr_.householderQ().adjoint() * r_;
    qtr_ = rotated.head(n_);
    // Scaling by the longest column seen (More 1978), so that a parameter whose
    // influence fades is not let loose.
    for (Index j = 0; j < n_; ++j) {
      lengths_[j] = std::max(lengths_[j], jacobian_.col(j).norm());
    }
  }

  // Largest |cosine| between the residual and a column of the Jacobian.
  [[nodiscard]] double cosine() const {
    const double size = r_.norm();
    if (!(size > 0.0)) return 0.0;
    double largest = 0.0;
    for (Index j = 0; j < n_; ++j) {
      const double length = jacobian_.col(j).norm();
      if (length > 0.0) {
        largest = std::max(largest, std::fabs(jacobian_.col(j).dot(r_)) / (length * size));
      }
    }
    return largest;
  }

  // Solves the damped problem min |J h + r|^2 + mu |D h|^2 by QR; returns the
  // decrease of the sum of squares that the linear model promises.
  double solve_step(double mu) {
    stacked_.topRows(n_) = triangle_;
    stacked_.bottomRows(n_).setZero();
    for (Index j = 0; j < n_; ++j) {
      stacked_(n_ + j, j) = std::sqrt(mu) * (lengths_[j] > 0.0 ? lengths_[j] : 1.0);
    }
    stacked_rhs_.head(n_) = -qtr_;
    stacked_rhs_.tail(n_).setZero();
    damped_.compute(stacked_);
    step_ = damped_.solve(stacked_rhs_);
    const double linear = (triangle_ * step_).squaredNorm();
    const double damping = mu * lengths_.cwiseProduct(step_).squaredNorm();
    return linear + 2.0 * damping;  // |r|^2 - |r + J h|^2 at the damped minimum
  }

  FitStatus iterate(int& iterations) {
    if (m_ < n_) return FitStatus::singular;
    if (!evaluate_all()) return FitStatus::not_finite;
    factorise();
    double mu = options_.initial_damping;
    double nu = 2.0;
    for (; iterations < options_.max_iterations; ++iterations) {
      if (cosine() <= options_.gradient_tolerance) return FitStatus::converged;
      const double promised = solve_step(mu);
      if (!step_.allFinite()) return FitStatus::singular;
      const double length = lengths_.cwiseProduct(step_).norm();
      const double reach = lengths_.cwiseProduct(x_).norm();
      trial_ = x_ + step_;
      const double before = cost_;
      const double after = trial_cost();
      const bool better = after < before;  // false for NaN as well
      if (better) {
        const double gain = (before - after) / promised;
        x_ = trial_;
        if (!evaluate_all()) return FitStatus::not_finite;
        factorise();
        const double g = 2.0 * gain - 1.0;
        mu = std::max(mu * std::max(1.0 / 3.0, 1.0 - g * g * g), 1e-30);
        nu = 2.0;
      } else {
        mu *= nu;
        nu *= 2.0;
      }
      if (length <= options_.step_tolerance * (reach + options_.step_tolerance)) {
        return settled(better, mu);
      }
      if (promised <= options_.cost_tolerance * before &&
          (!better || before - after <= options_.cost_tolerance * before)) {
        return settled(better, mu);
      }
      if (!std::isfinite(mu)) return FitStatus::iteration_limit;
    }
    return FitStatus::iteration_limit;
  }

  // A parameter ran off to where it no longer matters: the end of a plateau, no minimum.
  [[nodiscard]] bool faded(const VectorXd& lengths) const {
    return ((lengths.array() <= 1e-12 * lengths_.array()) ||
            (jacobian_.colwise().norm().transpose().array() == 0.0))
        .any();
  }

  // A step can be short because the minimum is near, or because damping strangled
  // it (a wrong Jacobian, a function too rough): only the first is convergence.
  [[nodiscard]] FitStatus settled(bool better, double mu) const {
    const bool near = better || mu < 1.0 || cosine() < 1e-3;
    return near ? FitStatus::converged : FitStatus::iteration_limit;
  }

  std::span<double> parameters_;
  const ResidualFunction& function_;
  const LevenbergMarquardtOptions& options_;
  Index n_;
  Index m_;
  VectorXd x_;
  VectorXd trial_;
  VectorXd r_;
  VectorXd trial_r_;
  RowMatrix jacobian_;
  VectorXd lengths_;
  MatrixXd triangle_;
  VectorXd qtr_;
  MatrixXd stacked_;
  VectorXd stacked_rhs_;
  VectorXd step_;
  Eigen::HouseholderQR<MatrixXd> qr_;
  Eigen::HouseholderQR<MatrixXd> damped_;
  double cost_ = std::numeric_limits<double>::quiet_NaN();
};

}  // namespace

FitReport levenberg_marquardt(std::span<double> parameters, std::size_t residual_count,
                              const ResidualFunction& function,
                              const LevenbergMarquardtOptions& options) {
  if (parameters.empty()) {
    throw Error(ErrorKind::usage, "", "a fit without parameters was asked for", "");
  }
  return Minimiser(parameters, residual_count, function, options).run();
}

}  // namespace coldframe
