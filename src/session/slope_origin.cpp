#include "coldframe/session/slope_origin.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t least_subs = 8;
constexpr double least_turn = 0.3;  // spread of the turn's cosine and sine about their means
constexpr double least_levels = 1.4;

struct Seen {
  double cosine = 1.0, sine = 0.0;  ///< of the turn from the sensor to the reference
  double x = 0.0, y = 0.0;          ///< slope along the sensor's own axes
  double level = 0.0;               ///< per second
};

std::vector<Seen> seen_by(std::span<const SubRecord> rows, int result) {
  std::vector<Seen> list;
  for (const auto& row : rows) {
    if (row.result != result || !row.kept || row.set_up != 0 || !row.transform) continue;
    if (!row.gradient_x || !row.gradient_y || !row.sky_per_s || !(*row.sky_per_s > 0.0)) continue;
    const auto& m = row.transform->matrix;
    const double size = std::hypot(m[0], m[3]);
    if (!(size > 0.0) || m[0] * m[4] - m[1] * m[3] <= 0.0) continue;
    Seen s{m[0] / size, m[3] / size, 0.0, 0.0, *row.sky_per_s};
    s.x = s.cosine * *row.gradient_x + s.sine * *row.gradient_y;
    s.y = -s.sine * *row.gradient_x + s.cosine * *row.gradient_y;
    list.push_back(s);
  }
  return list;
}

double spread_of_turns(const std::vector<Seen>& seen) {
  double c = 0.0, s = 0.0;
  for (const auto& one : seen) {
    c += one.cosine;
    s += one.sine;
  }
  const auto n = static_cast<double>(seen.size());
  // 1 minus the square of the mean direction: 0 when nothing turned, 1 for a flip half-way.
  return 1.0 - (c * c + s * s) / (n * n);
}

std::vector<double> sorted_levels(const std::vector<Seen>& seen) {
  std::vector<double> levels;
  for (const auto& one : seen) levels.push_back(one.level);
  std::sort(levels.begin(), levels.end());
  return levels;
}

}  // namespace

SlopeOrigin slope_origin(std::span<const SubRecord> rows, int result) {
  SlopeOrigin origin;
  const auto seen = seen_by(rows, result);
  origin.subs = static_cast<int>(seen.size());
  if (seen.size() < least_subs || spread_of_turns(seen) < least_turn) return origin;
  const auto levels = sorted_levels(seen);
  const double middle = levels[levels.size() / 2];
  origin.level_told = levels[levels.size() * 9 / 10] > least_levels * levels[levels.size() / 10];
  const std::size_t terms = origin.level_told ? 6 : 4;
  std::vector<double> design, values;
  for (const auto& one : seen) {
    const double share = middle / one.level;
    // The sky's slope, along the reference's axes, as the turned sensor sees it.
    const double rows_of[2][6] = {{1.0, 0.0, one.cosine, one.sine, share, 0.0},
                                  {0.0, 1.0, -one.sine, one.cosine, 0.0, share}};
    for (const auto& row : rows_of) design.insert(design.end(), row, row + terms);
    values.push_back(one.x);
    values.push_back(one.y);
  }
  const auto fit = linear_least_squares(design, terms, values);
  if (fit.status == FitStatus::singular) return origin;
  const double variance = fit.sum_of_squares / static_cast<double>(values.size() - terms);
  const auto error = [&](std::size_t k) {
    return std::sqrt(variance * std::max(fit.covariance[k * terms + k], 0.0));
  };
  origin.told = true;
  origin.multiplied = {fit.coefficients[0], fit.coefficients[1]};
  origin.multiplied_error = error(0);
  origin.sky = {fit.coefficients[2], fit.coefficients[3]};
  origin.sky_error = error(2);
  if (origin.level_told) {
    origin.leak = {fit.coefficients[4], fit.coefficients[5]};
    origin.leak_error = error(4);
  }
  return origin;
}

}  // namespace coldframe::session
