#include "coldframe/sensor/calibration_checks.hpp"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <optional>

#include "coldframe/core/statistics.hpp"
#include "sensor/local_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr std::size_t most_pairs = 20000;
constexpr std::size_t fewest_pairs = 50;
constexpr std::size_t fewest_points = 30;

using Used = std::vector<bool>;

Eigen::VectorXd terms_of(const ShapePoint& p, bool with_plane) {
  Eigen::VectorXd row(with_plane ? 4 : 2);
  if (with_plane) {
    row << 1.0, p.pattern, p.x, p.y;
  } else {
    row << 1.0, p.pattern;
  }
  return row;
}

struct Solved {
  Eigen::VectorXd answer;
  double slope_factor = 0.0;  ///< error of the slope per scatter of a point
  std::size_t count = 0;
};

std::optional<Solved> solve(std::span<const ShapePoint> points, const Used& used, bool with_plane) {
  const Eigen::Index terms = with_plane ? 4 : 2;
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(terms, terms);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(terms);
  Solved out;
  for (std::size_t i = 0; i < points.size(); ++i) {
    if (!used[i]) continue;
    const Eigen::VectorXd row = terms_of(points[i], with_plane);
    normal += row * row.transpose();
    right += row * points[i].value;
    ++out.count;
  }
  if (out.count < 2 * fewest_points / 3) return std::nullopt;
  const Eigen::LDLT<Eigen::MatrixXd> solver(normal);
  if (solver.info() != Eigen::Success || solver.rcond() < 1e-12) return std::nullopt;
  out.answer = solver.solve(right);
  out.slope_factor = std::sqrt(solver.solve(Eigen::VectorXd::Unit(terms, 1))[1]);
  return out;
}

// Neighbouring points err together (halos, unresolved stars, residues of the sky): the slope
// without each of nine regions in turn (delete-a-group jackknife).
double jackknife_error(std::span<const ShapePoint> points, const Used& used, bool with_plane) {
  std::vector<double> slopes;
  for (int region = 0; region < 9; ++region) {
    Used rest = used;
    for (std::size_t i = 0; i < points.size(); ++i) {
      const int column = std::clamp(static_cast<int>((points[i].x + 1.0) * 1.5), 0, 2);
      const int row = std::clamp(static_cast<int>((points[i].y + 1.0) * 1.5), 0, 2);
      if (3 * row + column == region) rest[i] = false;
    }
    if (const auto solved = solve(points, rest, with_plane)) slopes.push_back(solved->answer[1]);
  }
  if (slopes.size() < 5) return 0.0;
  const double usual = mean(std::span<const double>(slopes));
  double sum = 0.0;
  for (const double slope : slopes) sum += (slope - usual) * (slope - usual);
  const auto n = static_cast<double>(slopes.size());
  return std::sqrt((n - 1.0) / n * sum);
}

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
  Used used(points.size(), true);
  std::vector<double> residue(points.size());
  for (int round = 0; round < 4; ++round) {
    const auto solved = solve(points, used, with_plane);
    if (!solved || solved->count < fewest_points) return {};
    std::vector<double> kept;
    for (std::size_t i = 0; i < points.size(); ++i) {
      residue[i] = points[i].value - terms_of(points[i], with_plane).dot(solved->answer);
      if (used[i]) kept.push_back(residue[i]);
    }
    const double sigma = robust_sigma(kept);
    fit.slope = solved->answer[1];
    fit.error = std::max(sigma * solved->slope_factor, jackknife_error(points, used, with_plane));
    fit.points = solved->count;
    for (std::size_t i = 0; i < points.size(); ++i) used[i] = std::abs(residue[i]) <= 3.0 * sigma;
  }
  return fit;
}

}  // namespace coldframe::sensor
