#include "coldframe/view/arrow_chart.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/view/report.hpp"

namespace coldframe::view {
namespace {

constexpr double longest_side = 160.0;  // of the picture, user units
constexpr double rim = 6.0;

double length_of(const Arrow& a) noexcept { return std::hypot(a.dx, a.dy); }

bool drawable(const Arrow& a) noexcept {
  return std::isfinite(a.x) && std::isfinite(a.y) && std::isfinite(a.dx) && std::isfinite(a.dy);
}

}  // namespace

double common_arrow_length(const std::vector<std::vector<Arrow>>& lists) {
  std::vector<double> lengths;
  for (const auto& list : lists) {
    for (const auto& arrow : list) {
      if (drawable(arrow)) lengths.push_back(length_of(arrow));
    }
  }
  if (lengths.empty()) return 0.0;
  const auto nth = lengths.begin() + static_cast<std::ptrdiff_t>(lengths.size() * 9 / 10);
  std::nth_element(lengths.begin(), nth, lengths.end());
  if (!(*nth > 0.0)) return 1e-3;
  const double power = std::pow(10.0, std::floor(std::log10(*nth)));
  const double mantissa = *nth / power;
  return power * (mantissa <= 1.0 ? 1.0 : mantissa <= 2.0 ? 2.0 : mantissa <= 5.0 ? 5.0 : 10.0);
}

std::string arrows_svg(std::string_view what, double width, double height,
                       const std::vector<Arrow>& arrows, double length) {
  const double longer = std::max(width, height);
  if (!(longer > 0.0) || !(length > 0.0)) return "";
  const double scale = longest_side / longer;
  const double stretch = longest_side / 6.0 / length;
  std::string shafts, feet;
  for (const auto& a : arrows) {
    if (!drawable(a)) continue;
    const double own = length_of(a);
    const double cut = own > 3.0 * length ? 3.0 * length / own : 1.0;
    const double x = rim + a.x * scale, y = rim + (height - a.y) * scale;
    shafts += fmt::format("M{:.1f} {:.1f}l{:.1f} {:.1f}", x, y, cut * stretch * a.dx,
                          -cut * stretch * a.dy);
    feet += fmt::format("M{:.1f} {:.1f}h0", x, y);
  }
  if (shafts.empty()) return "";
  return fmt::format(
      "<svg class=\"arrows\" viewBox=\"0 0 {0:.0f} {1:.0f}\" role=\"img\" aria-label=\"{2}\">"
      "<rect x=\"{3:.0f}\" y=\"{3:.0f}\" width=\"{4:.1f}\" height=\"{5:.1f}\"></rect>"
      "<path class=\"shaft\" d=\"{6}\"></path><path class=\"foot\" d=\"{7}\"></path></svg>",
      width * scale + 2 * rim, height * scale + 2 * rim, html_escape(what), rim, width * scale,
      height * scale, shafts, feet);
}

}  // namespace coldframe::view
