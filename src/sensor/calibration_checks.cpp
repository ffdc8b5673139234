#include "coldframe/sensor/calibration_checks.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "sensor/local_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr std::size_t most_pairs = 20000;
constexpr std::size_t fewest_pairs = 50;
constexpr std::size_t fewest_points = 30;

}  // namespace

bool PatternFit::significant(double least) const noexcept {
  return points > 0 && std::abs(slope) > least && std::abs(slope) > 5.0 * error;
}

void collect_hot_pixels(PlaneView<const float> light, PlaneView<const float> dark, CfaPattern cfa,
                        double least_adu, double saturation_adu, HotPixelPairs& pairs) {
  const int step = colour_step(cfa);
  Grid<float> rest(light.size());
  for (int y = 0; y < light.height(); ++y) {
    for (int x = 0; x < light.width(); ++x) rest(x, y) = light(x, y) - dark(x, y);
  }
  LocalMedian dark_median(dark, step);
  LocalMedian rest_median(rest.cview(), step);
  for (int y = step; y < light.height() - step && pairs.dark.size() < most_pairs; ++y) {
    const float* const local = dark_median.row(y);
    const float* const around = rest_median.row(y);
    for (int x = step; x < light.width() - step; ++x) {
      const float excess = dark(x, y) - local[x];
      if (!(static_cast<double>(excess) > least_adu)) continue;
      if (!(static_cast<double>(light(x, y)) < saturation_adu)) continue;
      pairs.dark.push_back(excess);
      pairs.residue.push_back(rest(x, y) - around[x]);
    }
  }
}

PatternFit hot_pixel_residue(const HotPixelPairs& pairs) {
  PatternFit fit;
  const std::size_t count = pairs.dark.size();
  if (count < fewest_pairs) return fit;
  std::vector<std::pair<double, double>> ratios;  // ratio, weight
  std::vector<double> plain;
  double total = 0.0;
  for (std::size_t i = 0; i < count; ++i) {
    const auto weight = static_cast<double>(pairs.dark[i]);
    ratios.emplace_back(static_cast<double>(pairs.residue[i]) / weight, weight);
    plain.push_back(ratios.back().first);
    total += weight;
  }
  std::sort(ratios.begin(), ratios.end());
  double sum = 0.0;
  for (const auto& [ratio, weight] : ratios) {
    sum += weight;
    fit.slope = ratio;
    if (2.0 * sum >= total) break;
  }
  fit.error = 1.2533 * robust_sigma(plain) / std::sqrt(static_cast<double>(count));
  fit.points = count;
  return fit;
}

PatternFit fit_shape(std::span<const ShapePoint> points, bool with_plane) {
  PatternFit fit;
  if (points.size() < fewest_points) return fit;
  const Eigen::Index terms = with_plane ? 4 : 2;
  std::vector<bool> used(points.size(), true);
  std::vector<double> residue(points.size());
  for (int round = 0; round < 4; ++round) {
    Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(terms, terms);
    Eigen::VectorXd right = Eigen::VectorXd::Zero(terms);
    const auto row = [&](const ShapePoint& p) {
      Eigen::VectorXd r(terms);
      if (with_plane) {
        r << 1.0, p.pattern, p.x, p.y;
      } else {
        r << 1.0, p.pattern;
      }
      return r;
    };
    std::size_t count = 0;
    for (std::size_t i = 0; i < points.size(); ++i) {
      if (!used[i]) continue;
      const Eigen::VectorXd r = row(points[i]);
      normal += r * r.transpose();
      right += r * points[i].value;
      ++count;
    }
    if (count < fewest_points) return {};
    const Eigen::LDLT<Eigen::MatrixXd> solver(normal);
    if (solver.info() != Eigen::Success || solver.rcond() < 1e-12) return {};
    const Eigen::VectorXd answer = solver.solve(right);
    std::vector<double> kept;
    for (std::size_t i = 0; i < points.size(); ++i) {
      residue[i] = points[i].value - row(points[i]).dot(answer);
      if (used[i]) kept.push_back(residue[i]);
    }
    const double sigma = robust_sigma(kept);
    for (std::size_t i = 0; i < points.size(); ++i) used[i] = std::abs(residue[i]) <= 3.0 * sigma;
    fit.slope = answer[1];
    fit.error = sigma * std::sqrt(solver.solve(Eigen::VectorXd::Unit(terms, 1))[1]);
    fit.points = count;
  }
  return fit;
}

}  // namespace coldframe::sensor
