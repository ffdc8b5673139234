/// \file
/// Points with error bars and a line through them, as a stand-alone SVG document.
#pragma once

#include <string>
#include <vector>

namespace coldframe::view {

struct ScatterPoint {
  double x = 0.0;
  double y = 0.0;
  double error = 0.0;   ///< of y
  bool hollow = false;  ///< not part of the fit
  std::string label;    ///< shown when the pointer rests on it
};

struct ScatterChart {
  std::string title;
  std::string x_label, y_label;
  std::vector<ScatterPoint> points;
  double slope = 0.0;  ///< line through the origin; 0 = none
  /// The line is full between these and dashed beyond.
  double line_from = 0.0, line_to = 0.0;
  std::string caption;
};

/// Empty without points. All text is escaped.
[[nodiscard]] std::string scatter_svg(const ScatterChart& chart);

}  // namespace coldframe::view
