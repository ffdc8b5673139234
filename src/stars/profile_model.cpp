#include "stars/profile_model.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "stars/profile_kernel.hpp"

namespace coldframe::stars {
ProfileShape shape_of(const ParameterVector& p, bool gaussian) noexcept {
  ProfileShape shape;
  shape.x = static_cast<float>(p[par_x]);
  shape.y = static_cast<float>(p[par_y]);
  shape.s11 = static_cast<float>(p[par_s11]);
  shape.s12 = static_cast<float>(p[par_s12]);
  shape.s22 = static_cast<float>(p[par_s22]);
  shape.gaussian = gaussian;
  const double b = p[par_b];
  shape.k = static_cast<float>(std::exp2(b) - 1.0);
  shape.beta = static_cast<float>(1.0 / b);
  shape.log_factor = static_cast<float>(std::numbers::ln2 / (b * b));
  shape.slope_factor = static_cast<float>(std::numbers::ln2 * std::exp2(b) / b);
  return shape;
}

PixelNodes nodes_of(int per_axis) noexcept {
  const PixelRule rule = pixel_rule(per_axis);
  PixelNodes nodes;
  const auto n = static_cast<std::size_t>(per_axis);
  for (std::size_t j = 0; j < n; ++j) {
    for (std::size_t i = 0; i < n; ++i) {
      nodes.x[nodes.count] = static_cast<float>(rule.node[i]);
      nodes.y[nodes.count] = static_cast<float>(rule.node[j]);
      nodes.weight[nodes.count++] = static_cast<float>(rule.weight[i] * rule.weight[j]);
    }
  }
  return nodes;
}

int core_nodes_for(double width) noexcept {
  return width < 1.7 ? 5 : width < 2.5 ? 4 : width < 4.5 ? 3 : 2;
}

int outer_nodes_for(double width) noexcept { return width < 6.0 ? 2 : 1; }

PixelRule pixel_rule(int nodes) noexcept {
  // Abramowitz & Stegun (1964), table 25.4, halved to a unit interval.
  switch (nodes) {
    case 1:
      return {{0.0}, {1.0}};
    case 2:
      return {{-0.288675134594812882, 0.288675134594812882}, {0.5, 0.5}};
    case 3:
      return {{-0.387298334620741689, 0.0, 0.387298334620741689},
              {0.277777777777777778, 0.444444444444444444, 0.277777777777777778}};
    case 4:
      return {
          {-0.430568155797026288, -0.169990521792428132, 0.169990521792428132,
           0.430568155797026288},
          {0.173927422568726929, 0.326072577431273071, 0.326072577431273071, 0.173927422568726929}};
    default:
      return {{-0.453089922969331996, -0.269234655052841546, 0.0, 0.269234655052841546,
               0.453089922969331996},
              {0.118463442528094544, 0.239314335249683234, 0.284444444444444444,
               0.239314335249683234, 0.118463442528094544}};
  }
}

void evaluate_profile(const PixelSet& pixels, const ParameterVector& parameters, bool gaussian,
                      ModelTerms& terms) noexcept {
  const ProfileShape shape = shape_of(parameters, gaussian);
  const ProfileArrays arrays{pixels.x.data(),  pixels.y.data(),  terms.g.data(),
                             terms.hx.data(),  terms.hy.data(),  terms.hxx.data(),
                             terms.hxy.data(), terms.hyy.data(), terms.gb.data()};
  integrate_profile(shape, nodes_of(pixels.core_nodes), arrays, pixels.core_count);
  integrate_profile(shape, nodes_of(pixels.outer_nodes), arrays.from(pixels.core_count),
                    pixels.count - pixels.core_count);
}

double unit_peak_flux(const ParameterVector& parameters, bool gaussian) noexcept {
  const double det =
      parameters[par_s11] * parameters[par_s22] - parameters[par_s12] * parameters[par_s12];
  const double b = parameters[par_b];
  const double per_area = gaussian ? std::numbers::ln2 : (1.0 / b - 1.0) * (std::exp2(b) - 1.0);
  return std::numbers::pi / (per_area * std::sqrt(det));
}

Ellipse ellipse_of(double s11, double s12, double s22) noexcept {
  const double mean = 0.5 * (s11 + s22);
  const double split = std::hypot(0.5 * (s11 - s22), s12);
  Ellipse ellipse;
  ellipse.major = 2.0 / std::sqrt(std::max(mean - split, 1e-12));
  ellipse.minor = 2.0 / std::sqrt(mean + split);
  // The larger eigenvalue of S belongs to the minor axis.
  double angle = 0.5 * std::atan2(2.0 * s12, s11 - s22) * 180.0 / std::numbers::pi + 90.0;
  if (angle >= 180.0) angle -= 180.0;
  ellipse.angle_deg = split > 0.0 ? std::max(angle, 0.0) : 0.0;
  return ellipse;
}

}  // namespace coldframe::stars
