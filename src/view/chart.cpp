#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/view/report.hpp"
#include "html.hpp"

namespace coldframe::view {
namespace {

constexpr double width = 460.0;
constexpr double height = 200.0;
constexpr double left = 62.0;
constexpr double right = 12.0;
constexpr double top = 12.0;
constexpr double bottom = 40.0;

/// A round step (1, 2 or 5 times a power of ten) that gives about `wanted` intervals.
double round_step(double span, int wanted) {
  const double raw = span / wanted;
  const double power = std::pow(10.0, std::floor(std::log10(raw)));
  const double mantissa = raw / power;
  return power * (mantissa <= 1.0 ? 1.0 : mantissa <= 2.0 ? 2.0 : mantissa <= 5.0 ? 5.0 : 10.0);
}

struct Axis {
  double low = 0.0;
  double high = 1.0;
  double step = 0.5;

  [[nodiscard]] double share(double value) const noexcept { return (value - low) / (high - low); }
};

/// Room around the data, ends on round numbers; from zero when that costs little room.
Axis axis_over(double low, double high, int wanted) {
  if (low >= 0.0 && low < 0.5 * high) low = 0.0;
  if (!(high - low > 1e-9 * std::max(std::abs(high), std::abs(low)))) {
    const double room = high != 0.0 ? 0.1 * std::abs(high) : 1.0;
    low -= room;
    high += room;
  }
  Axis axis;
  axis.step = round_step(high - low, wanted);
  axis.low = axis.step * std::floor(low / axis.step + 1e-9);
  axis.high = axis.step * std::ceil(high / axis.step - 1e-9);
  return axis;
}

std::string tick_label(double value, double step) {
  if (std::abs(value) < 1e-9 * step) value = 0.0;
  if (step < 1e-4 || std::abs(value) >= 1e6) return fmt::format("{:.3g}", value);
  const int decimals = std::max(-static_cast<int>(std::floor(std::log10(step) + 1e-9)), 0);
  return fmt::format("{:.{}f}", value, decimals);
}

struct Plot {
  Axis x;
  Axis y;
  [[nodiscard]] double px(double value) const noexcept {
    return left + x.share(value) * (width - left - right);
  }
  [[nodiscard]] double py(double value) const noexcept {
    return height - bottom - y.share(value) * (height - top - bottom);
  }
};

void draw_frame(const Plot& plot, std::string_view unit, std::string& svg) {
  for (int i = 0;; ++i) {
    const double value = plot.y.low + i * plot.y.step;
    if (value > plot.y.high + 0.5 * plot.y.step) break;
    const double y = plot.py(value);
    svg += fmt::format(
        "<line class=\"grid\" x1=\"{:.0f}\" x2=\"{:.0f}\" y1=\"{:.1f}\" y2=\"{:.1f}\"/>", left,
        width - right, y, y);
    svg += fmt::format("<text x=\"{:.0f}\" y=\"{:.1f}\" text-anchor=\"end\">{}</text>", left - 6.0,
                       y + 4.0, tick_label(value, plot.y.step));
  }
  for (int i = 0;; ++i) {
    const double value = plot.x.step * (std::ceil(plot.x.low / plot.x.step) + i);
    if (value > plot.x.high + 1e-6 * plot.x.step) break;
    svg += fmt::format("<text x=\"{:.1f}\" y=\"{:.0f}\" text-anchor=\"middle\">{}</text>",
                       plot.px(value), height - bottom + 18.0, tick_label(value, plot.x.step));
  }
  svg += fmt::format("<text x=\"{:.0f}\" y=\"{:.0f}\" text-anchor=\"middle\">sub</text>",
                     0.5 * (left + width - right), height - 4.0);
  if (!unit.empty()) {
    const double y = 0.5 * (top + height - bottom);
    svg += fmt::format(
        "<text transform=\"translate(14 {:.0f}) rotate(-90)\" text-anchor=\"middle\">{}</text>", y,
        html_escape(unit));
  }
}

/// Lines between neighbours that both have a value and are both kept.
void draw_line(const Plot& plot, const std::vector<ChartPoint>& points, std::string& svg) {
  std::string path;
  bool pen_down = false;
  for (const auto& point : points) {
    if (point.marked || !point.y || !std::isfinite(*point.y)) {
      // A dropped sub is no part of the curve; a gap in the data is shown as one.
      pen_down = pen_down && point.marked;
      continue;
    }
    path +=
        fmt::format("{}{:.1f} {:.1f}", pen_down ? "L" : "M", plot.px(point.x), plot.py(*point.y));
    pen_down = true;
  }
  if (!path.empty()) svg += fmt::format("<path class=\"curve\" d=\"{}\"/>", path);
}

void draw_points(const Plot& plot, const std::vector<ChartPoint>& points, std::string& svg) {
  for (const auto& point : points) {
    if (!point.y || !std::isfinite(*point.y)) continue;
    const double x = plot.px(point.x);
    const double y = plot.py(*point.y);
    const auto tip = html_escape(
        fmt::format("{}: {}{}", point.label, number(point.y), point.marked ? " (left out)" : ""));
    if (point.marked) {
      svg += fmt::format(
          "<circle class=\"out\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"4.5\"><title>{}</title></circle>",
          x, y, tip);
    } else {
      svg += fmt::format(
          "<circle class=\"in\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"3\"><title>{}</title></circle>", x,
          y, tip);
    }
  }
}

struct Extent {
  double low = std::numeric_limits<double>::infinity();
  double high = -std::numeric_limits<double>::infinity();
  void take(double value) noexcept {
    low = std::min(low, value);
    high = std::max(high, value);
  }
};

/// The chart in words, for readers who do not see it.
std::string description(std::string_view title, std::string_view unit, const Extent& y,
                        std::size_t count, std::size_t marked) {
  std::string text =
      fmt::format("{} of {} subs, from {} to {}", title, count, number(y.low), number(y.high));
  if (!unit.empty()) text += fmt::format(" {}", unit);
  if (marked > 0) text += fmt::format("; {} of them left out (hollow)", marked);
  return text;
}

}  // namespace

std::string chart_svg(std::string_view title, std::string_view unit,
                      const std::vector<ChartPoint>& points) {
  Extent xs;
  Extent ys;
  std::size_t count = 0;
  std::size_t marked = 0;
  for (const auto& point : points) {
    if (!std::isfinite(point.x)) continue;
    xs.take(point.x);
    if (!point.y || !std::isfinite(*point.y)) continue;
    ys.take(*point.y);
    ++count;
    if (point.marked) ++marked;
  }
  if (count == 0) return "";
  Plot plot;
  plot.y = axis_over(ys.low, ys.high, 4);
  // Half a sub of room at the ends; ticks on whole subs.
  plot.x = {xs.low - 0.5, xs.high + 0.5,
            std::max(1.0, round_step(std::max(xs.high - xs.low, 1.0), 8))};
  std::string svg = fmt::format(
      "<svg class=\"chart\" viewBox=\"0 0 {:.0f} {:.0f}\" role=\"img\" aria-label=\"{}\">", width,
      height, html_escape(description(title, unit, ys, count, marked)));
  draw_frame(plot, unit, svg);
  draw_line(plot, points, svg);
  draw_points(plot, points, svg);
  return svg + "</svg>";
}

}  // namespace coldframe::view
