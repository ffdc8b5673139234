#include "sim/star_field.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/random.hpp"
#include "coldframe/core/units.hpp"
#include "sim/noise.hpp"

namespace coldframe::sim {
namespace {

constexpr double degree = std::numbers::pi / 180.0;

/// The part of the sky grid that the subs see, with room for the wings of stars outside.
struct Field {
  double x0, y0, x1, y1;
};
Field visible_field(const Scene& scene) {
  const Size frame{scene.sensor.width, scene.sensor.height};
  const double right = frame.width - 0.5;
  const double top = frame.height - 0.5;
  Field field{-0.5, -0.5, right, top};
  for (const SubScene& sub : scene.lights) {
    const Transform to_sub = sky_to_sub(sub, frame);
    for (const Point corner : {Point{-0.5, -0.5}, {right, -0.5}, {-0.5, top}, {right, top}}) {
      const Point p = to_sub.unapply(corner);
      field = {std::min(field.x0, p.x), std::min(field.y0, p.y), std::max(field.x1, p.x),
               std::max(field.y1, p.y)};
    }
  }
  constexpr double margin = 20.0;
  return {field.x0 - margin, field.y0 - margin, field.x1 + margin, field.y1 + margin};
}

/// Magnitude below the brightest for counts N(<m) that grow as 10^(slope m) up to `range`.
double draw_magnitude(double uniform, double slope, double range) noexcept {
  if (slope <= 0.0) return uniform * range;
  return std::log10(1.0 + uniform * (std::pow(10.0, slope * range) - 1.0)) / slope;
}

/// Radius of a King cluster's star by bisection of the enclosed share.
double draw_king_radius(double uniform, double tidal) noexcept {
  double inside = 0.0;
  double outside = tidal;
  for (int step = 0; step < 60; ++step) {
    const double middle = 0.5 * (inside + outside);
    (king_enclosed(middle, tidal) < uniform ? inside : outside) = middle;
  }
  return 0.5 * (inside + outside);
}

/// Inverse gnomonic projection about the grid's centre; x to the west, y to the north.
void set_position(TrueStar& star, const Scene& scene) noexcept {
  const double scale =
      pixel_scale_arcsec(scene.optics.pixel_um, scene.optics.focal_length_mm) / 3600.0 * degree;
  const double xi = -scale * (star.x - 0.5 * (scene.sensor.width - 1));
  const double eta = scale * (star.y - 0.5 * (scene.sensor.height - 1));
  const double dec0 = scene.sky.dec_deg * degree;
  const double down = std::cos(dec0) - eta * std::sin(dec0);
  const double ra = scene.sky.ra_deg + std::atan2(xi, down) / degree;
  star.ra_deg = ra - 360.0 * std::floor(ra / 360.0);
  star.dec_deg = std::atan2(std::sin(dec0) + eta * std::cos(dec0), std::hypot(xi, down)) / degree;
  star.magnitude = scene.sky.zero_point_mag - 2.5 * std::log10(star.flux_e_per_s);
}

TrueStar draw_field_star(const Scene& scene, const Field& field, std::uint64_t index) {
  RandomStream random(scene.seed, stream::field_stars, index);
  TrueStar star;
  star.x = field.x0 + random.uniform() * (field.x1 - field.x0);
  star.y = field.y0 + random.uniform() * (field.y1 - field.y0);
  const double magnitude =
      draw_magnitude(random.uniform(), scene.sky.magnitude_slope, scene.sky.magnitude_range);
  star.flux_e_per_s = scene.sky.brightest_e_per_s * std::pow(10.0, -0.4 * magnitude);
  set_colour(scene.sky.colour_sd * random.normal(), star.colour);
  return star;
}

TrueStar draw_cluster_star(const Scene& scene, std::uint64_t index) {
  const SkyScene& sky = scene.sky;
  RandomStream random(scene.seed, stream::cluster_stars, index);
  const double radius =
      sky.cluster_core_px *
      draw_king_radius(random.uniform(), sky.cluster_tidal_px / sky.cluster_core_px);
  const double angle = 2.0 * std::numbers::pi * random.uniform();
  TrueStar star;
  star.x = sky.cluster_x * (scene.sensor.width - 1) + radius * std::cos(angle);
  star.y = sky.cluster_y * (scene.sensor.height - 1) + radius * std::sin(angle);
  const double magnitude =
      draw_magnitude(random.uniform(), sky.cluster_magnitude_slope, sky.cluster_magnitude_range);
  star.flux_e_per_s = sky.cluster_brightest_e_per_s * std::pow(10.0, -0.4 * magnitude);
  // Giants are red, the fainter stars bluer.
  const double share =
      sky.cluster_magnitude_range > 0.0 ? magnitude / sky.cluster_magnitude_range : 0.5;
  set_colour(sky.colour_sd * (1.2 - 2.0 * share + 0.4 * random.normal()), star.colour);
  star.cluster = true;
  return star;
}

}  // namespace

Transform sky_to_sub(const SubScene& sub, Size frame) noexcept {
  const double angle = (sub.rotation_deg + (sub.flipped ? 180.0 : 0.0)) * degree;
  const double c = std::cos(angle);
  const double s = std::sin(angle);
  const double cx = 0.5 * (frame.width - 1);
  const double cy = 0.5 * (frame.height - 1);
  Transform transform = Transform::affine(c, -s, cx - c * cx + s * cy + sub.shift_x, s, c,
                                          cy - s * cx - c * cy + sub.shift_y);
  transform.model = TransformModel::similarity;
  return transform;
}

void set_colour(double index_mag, double (&colour)[3]) noexcept {
  const double bounded = std::clamp(index_mag, -1.2, 1.2);
  colour[0] = std::pow(10.0, 0.2 * bounded);
  colour[1] = 1.0;
  colour[2] = std::pow(10.0, -0.2 * bounded);
}

double king_enclosed(double radius, double tidal) noexcept {
  const double xt = tidal * tidal;
  const auto inside = [&](double x) {  // King 1962, integral of the density; x = (r/r_c)^2
    return std::log1p(x) - 4.0 * (std::sqrt(1.0 + x) - 1.0) / std::sqrt(1.0 + xt) + x / (1.0 + xt);
  };
  return inside(std::min(radius * radius, xt)) / inside(xt);
}

std::vector<TrueStar> make_stars(const Scene& scene) {
  const Field field = visible_field(scene);
  const double frame = static_cast<double>(scene.sensor.width) * scene.sensor.height;
  const double area = (field.x1 - field.x0) * (field.y1 - field.y0);
  const auto count = static_cast<std::uint64_t>(std::llround(scene.sky.stars * area / frame));
  std::vector<TrueStar> stars;
  stars.reserve(count + static_cast<std::uint64_t>(scene.sky.cluster_stars));
  for (std::uint64_t i = 0; i < count; ++i) stars.push_back(draw_field_star(scene, field, i));
  for (std::uint64_t i = 0; i < static_cast<std::uint64_t>(scene.sky.cluster_stars); ++i) {
    stars.push_back(draw_cluster_star(scene, i));
  }
  for (TrueStar& star : stars) set_position(star, scene);
  return stars;
}

}  // namespace coldframe::sim
