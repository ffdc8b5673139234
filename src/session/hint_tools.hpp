// Series of figures over a session and their trends; private to the hints.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "coldframe/session/record.hpp"

namespace coldframe::session::detail {

using Rows = std::vector<const SubRecord*>;

/// x, y pairs of the rows where both are known.
struct Series {
  std::vector<double> x, y;
  [[nodiscard]] std::size_t size() const noexcept { return x.size(); }
};

/// Hours since the earliest row.
[[nodiscard]] std::optional<double> hours_of(const SubRecord& row, double first_s);
[[nodiscard]] double first_start(const Rows& rows);
/// Half-way along an axis of the rows in order where times are missing.
[[nodiscard]] std::vector<double> clock_of(const Rows& rows);

/// Spearman's rank correlation (1904) and a Theil-Sen line (Theil 1950; Sen 1968).
struct Trend {
  double correlation = 0.0;
  bool certain = false;  ///< beyond chance at 1 in 1000 (Student's t on the correlation)
  double slope = 0.0;
  double change = 0.0;   ///< of the line over the range of x
  double scatter = 0.0;  ///< robust, about the line
};
[[nodiscard]] Trend trend_of(const Series& series);

/// Mean elongation as a vector at twice the angle and how far single subs scatter about it.
struct MeanShape {
  double along = 0.0, across = 0.0;
  double length = 0.0;  ///< of the mean vector
  double error = 0.0;   ///< of a component of it
  double direction_deg = 0.0;
  double typical = 0.0;  ///< median length of single subs
  double scatter = 0.0;  ///< of a component of single subs
};
[[nodiscard]] MeanShape mean_shape(const Rows& rows);

[[nodiscard]] std::vector<std::string> paths_of(const Rows& rows);

}  // namespace coldframe::session::detail
