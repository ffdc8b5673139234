#include "sim/light.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "coldframe/core/random.hpp"
#include "sim/noise.hpp"
#include "sim/psf.hpp"
#include "sim/star_field.hpp"

namespace coldframe::sim {
namespace {

constexpr int band_rows = 64;
constexpr double degree = std::numbers::pi / 180.0;

int filter_channel(const std::string& filter) noexcept {
  if (filter == "R" || filter == "r" || filter == "Red") return 0;
  if (filter == "G" || filter == "g" || filter == "Green") return 1;
  if (filter == "B" || filter == "b" || filter == "Blue") return 2;
  return -1;
}

struct PlacedStar {
  Point at;
  double flux = 0.0;
  CellWeights weights;
};

std::vector<PlacedStar> place_stars(const Scene& scene, const SubScene& sub,
                                    const std::vector<TrueStar>& stars) {
  const Transform to_sub = sky_to_sub(sub, {scene.sensor.width, scene.sensor.height});
  constexpr double margin = 40.0;
  std::vector<PlacedStar> placed;
  placed.reserve(stars.size());
  for (const TrueStar& star : stars) {
    const Point p = to_sub.apply({star.x, star.y});
    if (p.x < -margin || p.y < -margin || p.x > scene.sensor.width + margin ||
        p.y > scene.sensor.height + margin) {
      continue;
    }
    placed.push_back({p, star.flux_e_per_s * sub.exposure_s * sub.transparency,
                      cell_weights(scene.sensor, sub.filter, star.colour)});
  }
  return placed;
}

CellWeights scaled(CellWeights weights, double factor) noexcept {
  for (double& value : weights.value) value *= factor;
  return weights;
}

void fill_sky(PlaneView<float> pixels, int y0, int y1, const SkyPlane& sky,
              const CellWeights& weights) noexcept {
  const double cx = 0.5 * (pixels.width() - 1);
  const double cy = 0.5 * (pixels.height() - 1);
  for (int y = y0; y < y1; ++y) {
    const double level = sky.centre_e + sky.per_y * (y - cy);
    const double weight[2] = {weights.value[2 * (y & 1)], weights.value[2 * (y & 1) + 1]};
    const auto row = pixels.row(y);
    for (int x = 0; x < pixels.width(); ++x) {
      row[static_cast<std::size_t>(x)] =
          static_cast<float>(weight[x & 1] * (level + sky.per_x * (x - cx)));
    }
  }
}

}  // namespace

CellWeights cell_weights(const SensorScene& sensor, const std::string& filter,
                         const double (&colour)[3]) noexcept {
  CellWeights weights;
  const int channel = filter_channel(filter);
  for (int cell = 0; cell < 4; ++cell) {
    double value = 1.0;
    if (sensor.cfa != CfaPattern::none) {
      const auto c = static_cast<std::size_t>(cfa_colour(sensor.cfa, cell & 1, cell >> 1));
      value = colour[c] * sensor.channel_response[c];
    } else if (channel >= 0) {
      value = colour[channel];
    }
    weights.value[cell] = value;
  }
  return weights;
}

SkyPlane sky_plane(const Scene& scene, const SubScene& sub, double phase) noexcept {
  const SkyScene& sky = scene.sky;
  const double level = sky.sky_e_per_s * sub.exposure_s * sub.sky_factor *
                       (1.0 + sky.sky_rise * (phase - 0.5)) *
                       (1.0 + sky.cloud_brightening * (1.0 - sub.transparency));
  const double angle = (sky.gradient_angle_deg + 360.0 * sky.gradient_drift * phase +
                        sub.rotation_deg + (sub.flipped ? 180.0 : 0.0)) *
                       degree;
  SkyPlane plane;
  plane.centre_e = level;
  plane.per_x = level * sky.gradient * std::cos(angle) / scene.sensor.width;
  plane.per_y = level * sky.gradient * std::sin(angle) / scene.sensor.height;
  return plane;
}

Grid<float> light_on_sensor(const Scene& scene, const SubScene& sub, double phase,
                            const std::vector<TrueStar>& stars, const Galaxy& galaxy,
                            Threads threads) {
  const Size frame{scene.sensor.width, scene.sensor.height};
  Grid<float> pixels(frame);
  const SkyPlane sky = sky_plane(scene, sub, phase);
  const double white[3] = {scene.sky.sky_colour[0], scene.sky.sky_colour[1],
                           scene.sky.sky_colour[2]};
  const CellWeights sky_weights = cell_weights(scene.sensor, sub.filter, white);
  const PointSpread psf(scene.optics, sub, frame);
  const auto placed = place_stars(scene, sub, stars);
  const GalaxyImage image(galaxy, sky_to_sub(sub, frame), psf, sub.seeing_fwhm_px, frame);
  double body_colour[3];
  double halo_colour[3];
  set_colour(scene.sky.galaxy_colour, body_colour);
  set_colour(scene.sky.halo_colour, halo_colour);
  const double seen = sub.exposure_s * sub.transparency;
  const auto body = scaled(cell_weights(scene.sensor, sub.filter, body_colour), seen);
  const auto halo = scaled(cell_weights(scene.sensor, sub.filter, halo_colour), seen);
  // Wings are cut where they are a hundredth of the noise of a sky pixel.
  const double read = scene.sensor.read_noise_e;
  const double tolerance = 0.01 * std::sqrt(std::max(1.0, sky.centre_e + read * read));
  parallel_bands(threads, frame.height, band_rows, [&](int y0, int y1) {
    fill_sky(pixels.view(), y0, y1, sky, sky_weights);
    image.add_rows(pixels.view(), y0, y1, body.value, halo.value);
    for (const PlacedStar& star : placed) {
      psf.add_star(pixels.view(), y0, y1, star.at, star.flux, star.weights.value, tolerance);
    }
  });
  return pixels;
}

std::vector<TrueTrail> make_trails(const Scene& scene, const SubScene& sub, int index) {
  std::vector<TrueTrail> trails;
  RandomStream random(scene.seed, stream::trails, static_cast<std::uint64_t>(index));
  const double w = scene.sensor.width;
  const double h = scene.sensor.height;
  for (int i = 0; i < sub.trails; ++i) {
    const double x = w * (0.25 + 0.5 * random.uniform());
    const double y = h * (0.25 + 0.5 * random.uniform());
    const double angle = std::numbers::pi * random.uniform();
    const double dx = std::cos(angle);
    const double dy = std::sin(angle);
    // From edge to edge: the nearest crossing of the frame's sides in both directions.
    double back = -1e9;
    double forth = 1e9;
    const auto limit = [&](double at, double step, double least, double most) {
      if (std::abs(step) < 1e-9) return;
      const double a = (least - at) / step;
      const double b = (most - at) / step;
      back = std::max(back, std::min(a, b));
      forth = std::min(forth, std::max(a, b));
    };
    limit(x, dx, -0.5, w - 0.5);
    limit(y, dy, -0.5, h - 0.5);
    trails.push_back({x + back * dx, y + back * dy, x + forth * dx, y + forth * dy,
                      sub.trail_e_per_px * (0.7 + 0.6 * random.uniform()), sub.trail_fwhm_px,
                      sub.trail_wing_share});
  }
  return trails;
}

void add_trail(PlaneView<float> pixels, int y0, int y1, const TrueTrail& trail) noexcept {
  const double length = std::hypot(trail.x2 - trail.x1, trail.y2 - trail.y1);
  if (!(length > 0.0)) return;
  const double nx = -(trail.y2 - trail.y1) / length;
  const double ny = (trail.x2 - trail.x1) / length;
  const double sigma = trail.fwhm_px / 2.354820045030949;
  const double reach = sigma * (trail.wing_share > 0.0 ? 20.0 : 6.0);
  for (int y = y0; y < y1; ++y) {
    const double base = (y - trail.y1) * ny;
    double low = 0.0;
    double high = pixels.width() - 1.0;
    if (std::abs(nx) > 1e-6) {
      const double middle = trail.x1 - base / nx;
      low = std::max(low, middle - reach / std::abs(nx));
      high = std::min(high, middle + reach / std::abs(nx));
    } else if (std::abs(base) > reach) {
      continue;
    }
    const auto row = pixels.row(y);
    for (int x = static_cast<int>(std::ceil(low)); x <= static_cast<int>(std::floor(high)); ++x) {
      const double t = ((x - trail.x1) * nx + base) / sigma;
      double value = std::exp(-0.5 * t * t);
      if (trail.wing_share > 0.0) value += trail.wing_share * std::exp(-t * t / 32.0);
      row[static_cast<std::size_t>(x)] += static_cast<float>(trail.peak_e * value);
    }
  }
}

}  // namespace coldframe::sim
