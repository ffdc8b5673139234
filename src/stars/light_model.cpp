#include "stars/light_model.hpp"

#include <algorithm>
#include <array>
#include <cmath>

namespace coldframe::stars {
namespace {

constexpr int band_rows = 64;

ParameterVector parameters_of(const Source& s, const FieldProfile& profile) noexcept {
  ParameterVector p{};
  const ShapeMatrix local = profile.shape_at({s.star.x, s.star.y});
  p[par_s11] = local.s11;
  p[par_s12] = local.s12;
  p[par_s22] = local.s22;
  if (s.converged && s.s11 > 0.0) {
    p[par_s11] = s.s11;
    p[par_s12] = s.s12;
    p[par_s22] = s.s22;
  }
  p[par_b] = 1.0 / profile.beta;
  return p;
}

/// Distance at which the light has fallen to `share` of the peak.
double reach_of(const ParameterVector& p, bool gaussian, double share) noexcept {
  if (share >= 1.0) return 0.0;
  const double b = p[par_b];
  const double s =
      gaussian ? -std::log2(share) : (std::pow(share, -b) - 1.0) / (std::exp2(b) - 1.0);
  return std::sqrt(s) * 0.5 * ellipse_of(p[par_s11], p[par_s12], p[par_s22]).major;
}

std::vector<Point> places_of(const std::vector<Source>& sources) {
  std::vector<Point> places(sources.size());
  for (std::size_t i = 0; i < sources.size(); ++i) {
    places[i] = {sources[i].star.x, sources[i].star.y};
  }
  return places;
}

}  // namespace

LightModel::LightModel(const std::vector<Source>& sources, const FieldProfile& profile, Size frame,
                       double sigma)
    : bodies_(sources.size()),
      places_(places_of(sources)),
      grid_(places_, frame, 8.0 + 2.0 * profile.fwhm_px),
      inner_(nodes_of(std::min(4, core_nodes_for(profile.optical_px)))),
      outer_(nodes_of(1)) {
  drawn_ = Grid<float>(0, 0);
  const double most = 12.0 * profile.fwhm_px + 40.0;
  const double near_px = 2.0 * profile.fwhm_px;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    const Source& s = sources[i];
    Body& body = bodies_[i];
    body.x = s.star.x;
    body.y = s.star.y;
    if (s.dropped || s.sharp || !(s.star.flux > 0.0)) continue;
    const ParameterVector p = parameters_of(s, profile);
    body.shape = shape_of(p, profile.gaussian);
    body.peak = static_cast<float>(s.star.flux / unit_peak_flux(p, profile.gaussian));
    body.near2 = static_cast<float>(near_px * near_px);
    const double share = 0.1 * sigma / std::max(static_cast<double>(body.peak), 1e-30);
    body.reach = std::min(most, reach_of(p, profile.gaussian, share));
    longest_ = std::max(longest_, body.reach);
  }
}

void LightModel::add_body(const Body& body, float sign, int ox, int oy, const float* x,
                          const float* y, std::size_t count, float* out) const noexcept {
  if (!(body.reach > 0.0)) return;
  constexpr std::size_t chunk = 256;
  struct Batch {
    std::array<float, chunk> x, y, g;
    std::array<std::uint32_t, chunk> at;
    std::size_t count = 0;
  };
  ProfileShape shape = body.shape;
  shape.x = static_cast<float>(body.x - ox);
  shape.y = static_cast<float>(body.y - oy);
  const auto reach2 = static_cast<float>(body.reach * body.reach);
  const float peak = sign * body.peak;
  Batch inner;
  Batch outer;
  const auto flush = [&](Batch& batch, const PixelNodes& nodes) {
    integrate_light(shape, nodes, batch.x.data(), batch.y.data(), batch.g.data(), batch.count);
    for (std::size_t k = 0; k < batch.count; ++k) out[batch.at[k]] += peak * batch.g[k];
    batch.count = 0;
  };
  for (std::size_t i = 0; i < count; ++i) {
    const float dx = x[i] - shape.x;
    const float dy = y[i] - shape.y;
    const float d2 = dx * dx + dy * dy;
    if (d2 > reach2) continue;
    Batch& batch = d2 < body.near2 ? inner : outer;
    batch.x[batch.count] = x[i];
    batch.y[batch.count] = y[i];
    batch.at[batch.count++] = static_cast<std::uint32_t>(i);
    if (batch.count == chunk) flush(batch, d2 < body.near2 ? inner_ : outer_);
  }
  flush(inner, inner_);
  flush(outer, outer_);
}

void LightModel::add_around(std::span<const std::size_t> members, int ox, int oy, const float* x,
                            const float* y, std::size_t count, float* out) const noexcept {
  if (count == 0) return;
  if (is_drawn()) {
    for (std::size_t i = 0; i < count; ++i) {
      out[i] += drawn_(ox + static_cast<int>(x[i]), oy + static_cast<int>(y[i]));
    }
    for (const std::size_t m : members) add_body(bodies_[m], -1.0F, ox, oy, x, y, count, out);
    return;
  }
  const auto [x0, x1] = std::minmax_element(x, x + count);
  const auto [y0, y1] = std::minmax_element(y, y + count);
  const Point middle{ox + 0.5 * static_cast<double>(*x0 + *x1),
                     oy + 0.5 * static_cast<double>(*y0 + *y1)};
  const double half =
      0.5 * std::hypot(static_cast<double>(*x1 - *x0), static_cast<double>(*y1 - *y0));
  grid_.near(middle, half + longest_, [&](std::size_t j, double d2) {
    const Body& body = bodies_[j];
    if (d2 > (half + body.reach) * (half + body.reach)) return;
    if (std::binary_search(members.begin(), members.end(), j)) return;
    add_body(body, 1.0F, ox, oy, x, y, count, out);
  });
}

void LightModel::draw_band(int y0, int y1) {
  std::vector<std::size_t> here;
  for (std::size_t i = 0; i < bodies_.size(); ++i) {
    const Body& b = bodies_[i];
    if (b.reach > 0.0 && b.y + b.reach >= y0 && b.y - b.reach < y1) here.push_back(i);
  }
  std::vector<float> xs;
  std::vector<float> ys;
  std::vector<float> light;
  for (const std::size_t i : here) {
    const Body& b = bodies_[i];
    const int ox = std::max(0, static_cast<int>(std::ceil(b.x - b.reach)));
    const int last = std::min(drawn_.width() - 1, static_cast<int>(std::floor(b.x + b.reach)));
    const int from = std::max(y0, static_cast<int>(std::ceil(b.y - b.reach)));
    const int to = std::min(y1 - 1, static_cast<int>(std::floor(b.y + b.reach)));
    if (last < ox || to < from) continue;
    xs.clear();
    ys.clear();
    for (int y = from; y <= to; ++y) {
      for (int x = ox; x <= last; ++x) {
        xs.push_back(static_cast<float>(x - ox));
        ys.push_back(static_cast<float>(y - from));
      }
    }
    light.assign(xs.size(), 0.0F);
    add_body(b, 1.0F, ox, from, xs.data(), ys.data(), xs.size(), light.data());
    const auto width = static_cast<std::size_t>(last - ox + 1);
    for (int y = from; y <= to; ++y) {
      const float* add = light.data() + static_cast<std::size_t>(y - from) * width;
      float* row = drawn_.row(y).data() + ox;
      for (std::size_t k = 0; k < width; ++k) row[k] += add[k];
    }
  }
}

void LightModel::draw(Threads threads) {
  const Size size = grid_.frame();
  drawn_ = Grid<float>(size);
  parallel_bands(threads, size.height, band_rows, [&](int y0, int y1) { draw_band(y0, y1); });
}

}  // namespace coldframe::stars
