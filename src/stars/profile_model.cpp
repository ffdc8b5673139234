#include "stars/profile_model.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <numbers>

namespace coldframe::stars {
namespace {

constexpr float ln2 = std::numbers::ln2_v<float>;

/// log2 of a normal positive float to 2e-7: mantissa in [1/sqrt2, sqrt2), then
/// the series of 2 artanh. No library call, so that loops vectorise.
inline float fast_log2(float v) noexcept {
  const auto bits = std::bit_cast<std::int32_t>(v);
  const std::int32_t exponent = (bits - 0x3f3504f3) >> 23;
  const float m = std::bit_cast<float>(bits - exponent * (1 << 23));
  const float s = (m - 1.0F) / (m + 1.0F);
  const float z = s * s;
  const float series = 1.0F + z * (1.0F / 3 + z * (1.0F / 5 + z * (1.0F / 7 + z * (1.0F / 9))));
  return static_cast<float>(exponent) + s * series * (2.0F / ln2);
}

/// 2^t for t <= 0 to 2e-7 (0 below 2^-126): Taylor of exp about the nearest integer.
inline float fast_exp2(float t) noexcept {
  const auto whole = static_cast<std::int32_t>(t - 0.5F);
  const float z = (t - static_cast<float>(whole)) * ln2;
  const float e =
      1.0F + z * (1.0F + z * (1.0F / 2 + z * (1.0F / 6 + z * (1.0F / 24 + z * (1.0F / 120 +
      z * (1.0F / 720 + z * (1.0F / 5040)))))));
  const std::int32_t exponent = whole + 127;
  return e * std::bit_cast<float>((exponent < 0 ? 0 : exponent) * (1 << 23));
}

/// The parameters as the inner loop wants them.
struct Shape {
  float x = 0, y = 0, s11 = 0, s12 = 0, s22 = 0;
  float k = 0;         ///< 2^b - 1
  float beta = 0;
  float log_factor = 0;  ///< ln2 / b^2
  float slope_factor = 0;  ///< (dk/db) / b
};

Shape shape_of(const ParameterVector& p) noexcept {
  Shape shape;
  shape.x = static_cast<float>(p[par_x]);
  shape.y = static_cast<float>(p[par_y]);
  shape.s11 = static_cast<float>(p[par_s11]);
  shape.s12 = static_cast<float>(p[par_s12]);
  shape.s22 = static_cast<float>(p[par_s22]);
  const double b = p[par_b];
  shape.k = static_cast<float>(std::exp2(b) - 1.0);
  shape.beta = static_cast<float>(1.0 / b);
  shape.log_factor = static_cast<float>(std::numbers::ln2 / (b * b));
  shape.slope_factor = static_cast<float>(std::numbers::ln2 * std::exp2(b) / b);
  return shape;
}

struct Run {
  std::size_t first = 0;
  std::size_t last = 0;
};

/// The arrays as plain pointers that do not overlap, which the vectoriser needs to know.
struct Arrays {
  const float* __restrict x;
  const float* __restrict y;
  float* __restrict g;
  float* __restrict hx;
  float* __restrict hy;
  float* __restrict hxx;
  float* __restrict hxy;
  float* __restrict hyy;
  float* __restrict gb;
};

Arrays arrays_of(const PixelSet& pixels, ModelTerms& out) noexcept {
  return {pixels.x.data(), pixels.y.data(), out.g.data(),   out.hx.data(), out.hy.data(),
          out.hxx.data(),  out.hxy.data(),  out.hyy.data(), out.gb.data()};
}

/// Adds one quadrature node of every pixel of a run.
void add_moffat_node(const PixelSet& pixels, Run run, float ox, float oy, float weight,
                     const Shape& shape, ModelTerms& terms) noexcept {
  const Shape p = shape;
  const Arrays out = arrays_of(pixels, terms);
  for (std::size_t i = run.first; i < run.last; ++i) {
    const float dx = out.x[i] + ox - p.x;
    const float dy = out.y[i] + oy - p.y;
    const float s = p.s11 * dx * dx + 2.0F * p.s12 * dx * dy + p.s22 * dy * dy;
    const float v = 1.0F + p.k * s;
    const float log2v = fast_log2(v);
    const float g = weight * fast_exp2(-p.beta * log2v);
    const float inverse = 1.0F / v;
    const float h = -p.beta * p.k * g * inverse;
    out.g[i] += g;
    out.hx[i] += h * dx;
    out.hy[i] += h * dy;
    out.hxx[i] += h * dx * dx;
    out.hxy[i] += h * dx * dy;
    out.hyy[i] += h * dy * dy;
    out.gb[i] += g * (log2v * p.log_factor - s * p.slope_factor * inverse);
  }
}

void add_gaussian_node(const PixelSet& pixels, Run run, float ox, float oy, float weight,
                       const Shape& shape, ModelTerms& terms) noexcept {
  const Shape p = shape;
  const Arrays out = arrays_of(pixels, terms);
  for (std::size_t i = run.first; i < run.last; ++i) {
    const float dx = out.x[i] + ox - p.x;
    const float dy = out.y[i] + oy - p.y;
    const float s = p.s11 * dx * dx + 2.0F * p.s12 * dx * dy + p.s22 * dy * dy;
    const float g = weight * fast_exp2(-s);
    const float h = -ln2 * g;
    out.g[i] += g;
    out.hx[i] += h * dx;
    out.hy[i] += h * dy;
    out.hxx[i] += h * dx * dx;
    out.hxy[i] += h * dx * dy;
    out.hyy[i] += h * dy * dy;
  }
}

void clear(ModelTerms& terms, std::size_t count) noexcept {
  const auto n = static_cast<std::ptrdiff_t>(count);
  for (auto* array : {&terms.g, &terms.hx, &terms.hy, &terms.hxx, &terms.hxy, &terms.hyy, &terms.gb}) {
    std::fill(array->begin(), array->begin() + n, 0.0F);
  }
}

void integrate(const PixelSet& pixels, Run run, int nodes, bool gaussian, const Shape& shape,
               ModelTerms& terms) noexcept {
  const PixelRule rule = pixel_rule(nodes);
  for (int j = 0; j < nodes; ++j) {
    for (int i = 0; i < nodes; ++i) {
      const auto a = static_cast<std::size_t>(i);
      const auto b = static_cast<std::size_t>(j);
      const auto weight = static_cast<float>(rule.weight[a] * rule.weight[b]);
      const auto ox = static_cast<float>(rule.node[a]);
      const auto oy = static_cast<float>(rule.node[b]);
      if (gaussian) {
        add_gaussian_node(pixels, run, ox, oy, weight, shape, terms);
      } else {
        add_moffat_node(pixels, run, ox, oy, weight, shape, terms);
      }
    }
  }
}

}  // namespace

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
      return {{-0.430568155797026288, -0.169990521792428132, 0.169990521792428132,
               0.430568155797026288},
              {0.173927422568726929, 0.326072577431273071, 0.326072577431273071,
               0.173927422568726929}};
    default:
      return {{-0.453089922969331996, -0.269234655052841546, 0.0, 0.269234655052841546,
               0.453089922969331996},
              {0.118463442528094544, 0.239314335249683234, 0.284444444444444444,
               0.239314335249683234, 0.118463442528094544}};
  }
}

void evaluate_profile(const PixelSet& pixels, const ParameterVector& parameters, bool gaussian,
                      ModelTerms& terms) noexcept {
  const Shape shape = shape_of(parameters);
  clear(terms, pixels.count);
  integrate(pixels, {0, pixels.core_count}, pixels.core_nodes, gaussian, shape, terms);
  integrate(pixels, {pixels.core_count, pixels.count}, pixels.outer_nodes, gaussian, shape, terms);
}

double unit_peak_flux(const ParameterVector& parameters, bool gaussian) noexcept {
  const double det = parameters[par_s11] * parameters[par_s22] -
                     parameters[par_s12] * parameters[par_s12];
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
