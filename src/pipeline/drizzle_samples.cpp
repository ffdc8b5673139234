#include "drizzle_samples.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/chebyshev.hpp"

namespace coldframe::pipeline {
namespace {

constexpr std::uint8_t left_out_bit = mask_bit::cosmic_ray;  // what most outliers are

// The ordinary result around the samples of one region.
class OrdinaryPatch {
 public:
  OrdinaryPatch(const PixelSource& source, int planes, const Transform& to_ordinary,
                const Rect& region)
      : rect_(reach(to_ordinary, region).intersect(whole(source.size()))) {
    if (rect_.empty()) return;
    for (int p = 0; p < planes; ++p) {
      planes_.emplace_back(rect_.size());
      source.fill(p, rect_, planes_.back().view());
    }
  }
  struct Look {
    double value = 0.0;
    double step = 0.0;  // steepest step between the neighbours
    bool known = false;
  };
  [[nodiscard]] Look at(int plane, Point p) const noexcept {
    const int x = static_cast<int>(std::floor(p.x));
    const int y = static_cast<int>(std::floor(p.y));
    if (x < rect_.x0 || y < rect_.y0 || x + 1 >= rect_.x1 || y + 1 >= rect_.y1) return {};
    const auto& g = planes_[static_cast<std::size_t>(plane)];
    const int i = x - rect_.x0;
    const int j = y - rect_.y0;
    const double a = g(i, j), b = g(i + 1, j), c = g(i, j + 1), d = g(i + 1, j + 1);
    if (!std::isfinite(a + b + c + d)) return {};
    const double u = p.x - x;
    const double v = p.y - y;
    Look look;
    look.value = (1 - v) * ((1 - u) * a + u * b) + v * ((1 - u) * c + u * d);
    look.step = std::max({a, b, c, d}) - std::min({a, b, c, d});
    look.known = true;
    return look;
  }

 private:
  static Rect reach(const Transform& to_ordinary, const Rect& region) {
    double x0 = std::numeric_limits<double>::max(), y0 = x0;
    double x1 = std::numeric_limits<double>::lowest(), y1 = x1;
    constexpr int steps = 4;  // distortion bends the outline a little: the margin covers it
    for (int k = 0; k <= steps; ++k) {
      const double fx = region.x0 + (region.width() - 1.0) * k / steps;
      const double fy = region.y0 + (region.height() - 1.0) * k / steps;
      for (const Point p : {Point{fx, double(region.y0)}, Point{fx, region.y1 - 1.0},
                            Point{double(region.x0), fy}, Point{region.x1 - 1.0, fy}}) {
        const Point q = to_ordinary.apply(p);
        x0 = std::min(x0, q.x);
        y0 = std::min(y0, q.y);
        x1 = std::max(x1, q.x);
        y1 = std::max(y1, q.y);
      }
    }
    const auto whole_px = [](double v) {
      constexpr double far = 1e8;
      return static_cast<int>(std::clamp(v, -far, far));
    };
    return {whole_px(std::floor(x0)) - 2, whole_px(std::floor(y0)) - 2, whole_px(std::ceil(x1)) + 3,
            whole_px(std::ceil(y1)) + 3};
  }
  Rect rect_;
  std::vector<Grid<float>> planes_;
};

// Trails in the sub's own pixels.
std::vector<stack::Trail> trails_of_sub(const CombineSub& sub) {
  std::vector<stack::Trail> trails = sub.trails;
  for (auto& trail : trails) {
    const Point a = sub.transform.unapply({trail.x1, trail.y1});
    const Point b = sub.transform.unapply({trail.x2, trail.y2});
    trail.width_px *= std::sqrt(sub.transform.source_area(a));
    trail.x1 = a.x;
    trail.y1 = a.y;
    trail.x2 = b.x;
    trail.y2 = b.y;
  }
  return trails;
}

// Per-plane constants of one sub.
struct Normal {
  const ChannelSky* sky = nullptr;
  ChebyshevSurface surface;
  bool has_surface = false;
};

Normal normal_of(const CombineSub& sub, int plane) {
  Normal normal;
  normal.sky = &(*sub.sky)[static_cast<std::size_t>(plane)];
  normal.has_surface = !sub.surfaces.empty();
  if (normal.has_surface) {
    const auto& added = sub.surfaces[static_cast<std::size_t>(plane)];
    normal.surface = {added.frame, added.order, added.coefficients};
  }
  return normal;
}

class Sampler {
 public:
  Sampler(const CombineSub& sub, const DrizzleSettings& settings, const Rect& region, int plane)
      : sub_(sub),
        settings_(settings),
        plane_(plane),
        mosaic_(sub.calibration->cfa != CfaPattern::none),
        patch_(*settings.ordinary, settings.planes, sub.transform, region) {
    for (int p = 0; p < settings.planes; ++p) normals_.push_back(normal_of(sub, p));
  }

  void judge(SubSamples& samples) const {
    const Rect& region = samples.region;
    for (int y = 0; y < region.height(); ++y) {
      for (int x = 0; x < region.width(); ++x) {
        const Point at{double(region.x0 + x), double(region.y0 + y)};
        const int colour = mosaic_ ? cfa_colour(region.x0 + x, region.y0 + y) : plane_;
        judge_one(samples, x, y, at, colour);
      }
    }
  }

 private:
  [[nodiscard]] int cfa_colour(int x, int y) const noexcept {
    return coldframe::cfa_colour(sub_.calibration->cfa, x, y);
  }

  void judge_one(SubSamples& s, int x, int y, Point at, int colour) const {
    const auto& normal = normals_[static_cast<std::size_t>(colour)];
    const auto local = sub_.transform.local(at);
    const Point q = local.value;
    const double area = std::fabs(local.determinant());  // ordinary pixels per sub pixel
    const double added = normal.has_surface ? normal.surface.evaluate(q) * area : 0.0;
    const double value = sub_.scale * static_cast<double>(s.values(x, y)) + added;
    const auto look = patch_.at(colour, q);
    const double noise = sub_.scale * normal.sky->noise_at(at.x, at.y);
    const double level = sub_.scale * normal.sky->level_at(at.x, at.y) + added;
    const double expected = look.known ? look.value * area : level;
    const double per_unit = sub_.scale * sub_.calibration->inverse_flat_at(at.x, at.y) /
                            sub_.calibration->electrons_per_unit();
    const double variance = noise * noise + per_unit * std::max(expected - level, 0.0);
    s.values(x, y) = static_cast<float>(value);
    s.variance(x, y) = static_cast<float>(variance);
    if ((s.mask(x, y) & settings_.drizzle.left_out) != 0) return;
    ++s.used;
    if (!look.known) return;
    const double room = settings_.gradient_share * look.step * area;
    const double sigma = std::sqrt(variance);
    const double excess = value - expected;
    if (excess > settings_.kappa_high * sigma + room) s.verdict(x, y) = 2;
    if (excess < -(settings_.kappa_low * sigma + room)) s.verdict(x, y) = 1;
    if (s.verdict(x, y) != 0) {
      s.mask(x, y) |= left_out_bit;
      ++s.left_out;
    }
  }

  const CombineSub& sub_;
  const DrizzleSettings& settings_;
  int plane_;
  bool mosaic_;
  OrdinaryPatch patch_;
  std::vector<Normal> normals_;
};

}  // namespace

SubSamples drizzle_samples(const CombineSub& sub, const DrizzleSettings& settings, const Rect& tile,
                           int plane) {
  SubSamples samples;
  const auto raw = sub.open();
  samples.region =
      align::drizzle_region(sub.transform.then(settings.ordinary_to_output), tile, raw->size());
  const Rect& region = samples.region;
  if (region.empty()) return samples;
  samples.values = Grid<float>(region.size());
  samples.variance = Grid<float>(region.size());
  samples.mask = Mask(region.size());
  samples.verdict = Mask(region.size());
  read_calibrated(*raw, *sub.calibration, region, samples.values.view(), samples.mask.view(), plane,
                  sub.lines, sub.particles);
  // A repaired defect's value is its neighbours': it has nothing of its own to drop.
  const Sampler sampler(sub, settings, region, plane);
  sampler.judge(samples);
  if (!sub.trails.empty()) {
    stack::mask_trails(trails_of_sub(sub), region, samples.mask.view());
  }
  return samples;
}

}  // namespace coldframe::pipeline
