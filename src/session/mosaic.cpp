#include "mosaic.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/chebyshev.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stack/network.hpp"
#include "sky_shape.hpp"
#include "star_places.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t most_stars = 400;  // of each sub

bool matched(const SubState& sub) {
  return sub.usable && sub.match.status == align::MatchStatus::matched;
}

double half(int pixels) { return std::max(0.5 * (pixels - 1), 0.5); }

// Place on the sub's frame in [-1, 1].
Point own_coordinates(const SubState& sub, Point p) {
  const Size f = sub.measured.frame;
  return {p.x / half(f.width) - 1.0, p.y / half(f.height) - 1.0};
}

bool sound(const Star& s) {
  return s.fitted && s.kind == StarClass::star && s.flux > 0.0 && s.flux_error > 0.0;
}

bool placed(const Star& s) {
  return s.fitted && (s.kind == StarClass::star || s.kind == StarClass::saturated) && s.flux > 0.0;
}

double scale_of(const SubState& sub) {
  const Size f = sub.measured.frame;
  return 1.0 / std::sqrt(sub.match.transform.source_area({half(f.width), half(f.height)}));
}

}  // namespace

double share_on(const SubState& sub, const SubState& other) {
  constexpr int steps = 10;
  const Size f = sub.measured.frame, g = other.measured.frame;
  int inside = 0;
  for (int j = 0; j <= steps; ++j) {
    for (int i = 0; i <= steps; ++i) {
      const Point there =
          sub.match.transform.apply({(f.width - 1.0) * i / steps, (f.height - 1.0) * j / steps});
      const Point p = other.match.transform.unapply(there);
      inside += p.x >= -0.5 && p.y >= -0.5 && p.x <= g.width - 0.5 && p.y <= g.height - 0.5;
    }
  }
  return inside / double((steps + 1) * (steps + 1));
}

bool is_mosaic(const GroupState& group, const SubState& reference) {
  constexpr double enough = 0.6;
  return std::any_of(group.subs.begin(), group.subs.end(), [&](const SubState& sub) {
    return matched(sub) && share_on(sub, reference) < enough;
  });
}

namespace {

// The reference first, then the group's matched subs.
struct Members {
  std::vector<const SubState*> subs;
  std::vector<std::size_t> index;  ///< in the group
};

Members members_of(const GroupState& group, const SubState& reference) {
  Members members{{&reference}, {0}};
  for (std::size_t i = 0; i < group.subs.size(); ++i) {
    if (!matched(group.subs[i]) || &group.subs[i] == &reference) continue;
    members.subs.push_back(&group.subs[i]);
    members.index.push_back(i);
  }
  return members;
}

// A sub on the reference's plane: its middle, and half its diagonal.
struct Reach {
  Point middle;
  double length = 1.0;
};

Reach reach_of(const SubState& sub, const Transform& mapping) {
  const Size f = sub.measured.frame;
  const auto local = mapping.local({half(f.width), half(f.height)});
  return {local.value,
          std::hypot(half(f.width), half(f.height)) * std::sqrt(std::fabs(local.determinant()))};
}

}  // namespace

// A small turn b, growth a and shift (s, t) about the middle move (u, v) by (s + a u - b v,
// t + b u + a v): a similarity as mirrored and turned frames have it alike on the reference's
// plane. Strips of overlap would leave an affine mapping's other two freedoms to chance.
void adjust_positions(GroupState& group, const SubState& reference) {
  StarPlaces places;
  std::vector<stack::Sight> sights;
  const Members members = members_of(group, reference);
  for (std::uint32_t m = 0; m < members.subs.size(); ++m) {
    const SubState& sub = *members.subs[m];
    const Transform mapping = m == 0 ? Transform{} : sub.match.transform;
    const Reach reach = reach_of(sub, mapping);
    const double scale = m == 0 ? 1.0 : scale_of(sub);
    for (const auto& found : places.add(sub.measured.stars, mapping, most_stars, placed)) {
      const Star& star = sub.measured.stars[found.star];
      const Point p = mapping.apply({star.x, star.y});
      const double u = (p.x - reach.middle.x) / reach.length;
      const double v = (p.y - reach.middle.y) / reach.length;
      const double ex = scale * star.x_error, ey = scale * star.y_error;
      sights.push_back({m, 2 * found.place, p.x, ex * ex, {1.0, 0.0, u, -v}});
      sights.push_back({m, 2 * found.place + 1, p.y, ey * ey, {0.0, 1.0, v, u}});
    }
  }
  stack::NetworkOptions options;
  options.terms = 4;
  options.least_shared = 12;
  const auto fit = stack::adjust_network(sights, members.subs.size(), 2 * places.count(), options);
  for (std::size_t m = 1; m < members.subs.size(); ++m) {
    if (!fit.linked[m]) continue;
    auto& sub = group.subs[members.index[m]];
    if (sub.given) continue;  // stands as the owner has it
    const Reach reach = reach_of(sub, sub.match.transform);
    const auto& c = fit.corrections[m];
    const double a = c[2] / reach.length, b = c[3] / reach.length;
    const Point o = reach.middle;
    auto step = Transform::affine(1.0 + a, -b, c[0] - a * o.x + b * o.y, b, 1.0 + a,
                                  c[1] - b * o.x - a * o.y);
    step.model = TransformModel::similarity;
    sub.match.transform = sub.match.transform.then(step);
  }
}

std::vector<stack::ScaleEstimate> joint_scales(const GroupState& group) {
  StarPlaces places;
  std::vector<stack::Sight> sights;
  for (std::uint32_t i = 0; i < group.subs.size(); ++i) {
    const auto& sub = group.subs[i];
    if (!matched(sub)) continue;
    const auto& stars = sub.measured.stars;
    for (const auto& found : places.add(stars, sub.match.transform, most_stars, sound)) {
      const Star& s = stars[found.star];
      const double error = s.flux_error / s.flux;
      sights.push_back({i, found.place, std::log(s.flux), error * error});
    }
  }
  stack::NetworkOptions options;
  options.fixed = group.photometric_reference;
  const auto fit = stack::adjust_network(sights, group.subs.size(), places.count(), options);
  std::vector<stack::ScaleEstimate> scales(group.subs.size());
  for (std::size_t i = 0; i < scales.size(); ++i) {
    auto& scale = scales[i];
    scale.usable = fit.linked[i] && (fit.shared[i] >= 3 || i == options.fixed);
    scale.scale = std::exp(fit.corrections[i][0]);
    scale.error = scale.scale * fit.first_error[i];
    scale.pairs = fit.shared[i];
  }
  return scales;
}

namespace {

// Levels of one plane on a common lattice of canvas cells.
struct SkySights {
  std::vector<stack::Sight> sights;
  std::size_t places = 0;
  double level = 0.0;  ///< typical, on the canvas
  double noise = 0.0;  ///< typical of a pixel
};

// Half a mesh cell: narrow overlaps still show a slope.
double lattice_step(const GroupState& group, std::size_t plane) {
  std::vector<double> cells;
  for (const auto& sub : group.subs) {
    if (!sub.kept) continue;
    const auto& sky = sub.measured.sky[plane];
    const Size f = sub.measured.frame;
    const double side = std::sqrt(sub.to_canvas.source_area({half(f.width), half(f.height)}));
    cells.push_back(sky.mesh.cell_px * sky.step / side);
  }
  return std::max(8.0, 0.5 * median_in_place(cells));
}

SkySights sky_sights(const GroupState& group, Size canvas, std::size_t plane) {
  SkySights result;
  const double cell = lattice_step(group, plane);
  const auto columns = static_cast<std::uint32_t>(std::ceil(canvas.width / cell));
  const auto rows = static_cast<std::uint32_t>(std::ceil(canvas.height / cell));
  result.places = std::size_t{columns} * rows;
  std::vector<double> levels, noises;
  for (std::uint32_t i = 0; i < group.subs.size(); ++i) {
    const auto& sub = group.subs[i];
    if (!sub.kept) continue;
    const Size f = sub.measured.frame;
    const auto& sky = sub.measured.sky[plane];
    const SkyShape shape(sky);
    for (std::uint32_t j = 0; j < rows; ++j) {
      for (std::uint32_t k = 0; k < columns; ++k) {
        const Point here = sub.to_canvas.unapply({(k + 0.5) * cell - 0.5, (j + 0.5) * cell - 0.5});
        if (!(here.x >= 0.0 && here.y >= 0.0 && here.x <= f.width - 1 && here.y <= f.height - 1)) {
          continue;
        }
        const double factor = sub.scale.scale * sub.to_canvas.source_area(here);
        const Point own = own_coordinates(sub, here);
        levels.push_back(factor * shape.at(here));
        noises.push_back(factor * sky.noise_at(here.x, here.y));
        result.sights.push_back(
            {i, j * columns + k, levels.back(), 0.0, stack::polynomial_factors(own.x, own.y)});
      }
    }
  }
  result.level = median_in_place(levels);
  result.noise = median_in_place(noises);
  // Of a cell's level; what the mesh adds to it is found from the scatter.
  constexpr double share = 0.02;
  for (auto& s : result.sights) s.variance = share * share * result.noise * result.noise;
  return result;
}

// A polynomial of the sub's own frame as a surface over the canvas.
stack::SkySurface surface_of(const stack::NetworkFit& fit, std::size_t i, const SubState& sub,
                             Size canvas, int order) {
  std::vector<SurfacePoint> points;
  constexpr int steps = 4;
  const Size f = sub.measured.frame;
  for (int j = 0; j <= steps; ++j) {
    for (int k = 0; k <= steps; ++k) {
      const Point p{(f.width - 1.0) * k / steps, (f.height - 1.0) * j / steps};
      const Point there = sub.to_canvas.apply(p), own = own_coordinates(sub, p);
      points.push_back({there.x, there.y, fit.at(i, stack::polynomial_factors(own.x, own.y)), 1.0});
    }
  }
  const auto surface = fit_chebyshev(points, canvas, order, 3.0, 0);
  return {canvas, order, surface.surface.coefficients, 0.0};
}

}  // namespace

void join_skies(GroupState& group, Size canvas, stack::SkyMatching method) {
  stack::NetworkOptions options;
  const int order = method == stack::SkyMatching::level ? 0 : 2;
  options.terms = chebyshev_terms(order);
  options.fixed = group.photometric_reference;
  options.least_shared = 2;
  for (std::size_t p = 0; p < static_cast<std::size_t>(group.planes); ++p) {
    const auto seen = sky_sights(group, canvas, p);
    // Skies of one night differ by a few per cent across a field: a rein, no measurement.
    const double level = std::max(std::fabs(seen.level), seen.noise);
    const double slope = 0.1 * level, bend = 0.02 * level;
    options.expected_size = {options.infinite, slope, slope, bend, bend, bend};
    const auto fit = stack::adjust_network(seen.sights, group.subs.size(), seen.places, options);
    for (std::size_t i = 0; i < group.subs.size(); ++i) {
      auto& sub = group.subs[i];
      if (!sub.kept || i == options.fixed) continue;
      sub.surfaces.push_back(surface_of(fit, i, sub, canvas, order));
    }
  }
}

}  // namespace coldframe::session
