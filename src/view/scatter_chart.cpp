#include "coldframe/view/scatter_chart.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/view/report.hpp"

namespace coldframe::view {
namespace {

constexpr double width = 720.0;
constexpr double height = 460.0;
constexpr double left = 86.0;
constexpr double right = 20.0;
constexpr double top = 46.0;
constexpr double bottom = 84.0;

/// From zero to a round number.
struct Axis {
  double high = 1.0;
  double step = 0.5;

  explicit Axis(double largest) {
    const double raw = std::max(largest, 1e-9) / 5.0;
    const double power = std::pow(10.0, std::floor(std::log10(raw)));
    const double mantissa = raw / power;
    step = power * (mantissa <= 1.0 ? 1.0 : mantissa <= 2.0 ? 2.0 : mantissa <= 5.0 ? 5.0 : 10.0);
    high = step * std::ceil(largest / step + 1e-9);
  }
};

class Drawing {
 public:
  Drawing(const ScatterChart& chart, double x_most, double y_most)
      : chart_(chart), x_(x_most), y_(y_most) {}

  std::string draw() {
    open();
    ticks();
    line();
    for (const auto& point : chart_.points) mark(point);
    return svg_ + "</svg>\n";
  }

 private:
  [[nodiscard]] double px(double x) const { return left + x / x_.high * (width - left - right); }
  [[nodiscard]] double py(double y) const {
    return height - bottom - y / y_.high * (height - top - bottom);
  }

  void open() {
    svg_ = fmt::format(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0:.0f} {1:.0f}\" "
        "width=\"{0:.0f}\" "
        "height=\"{1:.0f}\" role=\"img\" aria-label=\"{2}\" font-family=\"sans-serif\" "
        "font-size=\"13\">\n<title>{2}</title>\n"
        "<rect width=\"{0:.0f}\" height=\"{1:.0f}\" fill=\"#ffffff\"/>\n",
        width, height, html_escape(chart_.title + ". " + chart_.caption));
    text(0.5 * width, 24.0, "middle", chart_.title, "font-size=\"16\"");
    text(0.5 * (left + width - right), height - 44.0, "middle", chart_.x_label, "");
    text(0.5 * width, height - 16.0, "middle", chart_.caption, "fill=\"#444444\"");
    svg_ += fmt::format(
        "<text transform=\"translate(20 {:.0f}) rotate(-90)\" text-anchor=\"middle\">{}</text>\n",
        0.5 * (top + height - bottom), html_escape(chart_.y_label));
  }

  void text(double x, double y, const char* anchor, const std::string& words, const char* more) {
    svg_ += fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"{}\" {}>{}</text>\n", x, y,
                        anchor, more, html_escape(words));
  }

  void ticks() {
    for (double v = 0.0; v <= y_.high * (1.0 + 1e-9); v += y_.step) {
      svg_ += fmt::format(
          "<line x1=\"{:.1f}\" x2=\"{:.1f}\" y1=\"{:.1f}\" y2=\"{:.1f}\" stroke=\"#dddddd\"/>\n",
          left, width - right, py(v), py(v));
      text(left - 8.0, py(v) + 4.0, "end", fmt::format("{:g}", v), "");
    }
    for (double v = 0.0; v <= x_.high * (1.0 + 1e-9); v += x_.step) {
      svg_ += fmt::format(
          "<line x1=\"{:.1f}\" x2=\"{:.1f}\" y1=\"{:.1f}\" y2=\"{:.1f}\" stroke=\"#888888\"/>\n",
          px(v), px(v), height - bottom, height - bottom + 5.0);
      text(px(v), height - bottom + 20.0, "middle", fmt::format("{:g}", v), "");
    }
    svg_ += fmt::format(
        "<line x1=\"{:.1f}\" x2=\"{:.1f}\" y1=\"{:.1f}\" y2=\"{:.1f}\" stroke=\"#888888\"/>\n",
        left, width - right, height - bottom, height - bottom);
  }

  void segment(double from, double to, const char* style) {
    to = std::min({to, x_.high, y_.high / chart_.slope});
    if (!(to > from)) return;
    svg_ += fmt::format(
        "<line x1=\"{:.1f}\" y1=\"{:.1f}\" x2=\"{:.1f}\" y2=\"{:.1f}\" stroke=\"#1f4e8c\" {}/>\n",
        px(from), py(from * chart_.slope), px(to), py(to * chart_.slope), style);
  }

  void line() {
    if (!(chart_.slope > 0.0)) return;
    segment(0.0, chart_.line_from, "stroke-dasharray=\"5 4\"");
    segment(chart_.line_from, chart_.line_to, "stroke-width=\"1.8\"");
    segment(chart_.line_to, x_.high, "stroke-dasharray=\"5 4\"");
  }

  void mark(const ScatterPoint& point) {
    if (!std::isfinite(point.x) || !std::isfinite(point.y)) return;
    const double x = px(std::max(point.x, 0.0));
    const double y = py(std::clamp(point.y, 0.0, y_.high));
    if (point.error > 0.0) {
      svg_ += fmt::format(
          "<line x1=\"{0:.1f}\" x2=\"{0:.1f}\" y1=\"{1:.1f}\" y2=\"{2:.1f}\" "
          "stroke=\"#222222\"/>\n",
          x, py(std::clamp(point.y - point.error, 0.0, y_.high)),
          py(std::clamp(point.y + point.error, 0.0, y_.high)));
    }
    svg_ += fmt::format(
        "<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"4\" stroke=\"#b04a00\" fill=\"{}\"><title>{}"
        "</title></circle>\n",
        x, y, point.hollow ? "none" : "#b04a00", html_escape(point.label));
  }

  const ScatterChart& chart_;
  Axis x_;
  Axis y_;
  std::string svg_;
};

}  // namespace

std::string scatter_svg(const ScatterChart& chart) {
  double x_most = 0.0;
  double y_most = 0.0;
  bool any = false;
  for (const auto& point : chart.points) {
    if (!std::isfinite(point.x) || !std::isfinite(point.y)) continue;
    any = true;
    x_most = std::max(x_most, point.x);
    y_most = std::max(y_most, point.y + point.error);
  }
  if (!any) return "";
  return Drawing(chart, x_most, y_most).draw();
}

}  // namespace coldframe::view
