#include "sim/galaxy.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace coldframe::sim {
namespace {
constexpr double degree = std::numbers::pi / 180.0;
constexpr double faintest = 2e-5;  ///< e/s per pixel where a profile ends
}  // namespace

double sersic_b(double n) noexcept {
  return 2.0 * n - 1.0 / 3.0 + 4.0 / (405.0 * n) + 46.0 / (25515.0 * n * n) +
         131.0 / (1148175.0 * n * n * n) - 2194697.0 / (30690717750.0 * n * n * n * n);
}

template <typename Profile>
RadialTable::RadialTable(double reach_px, const Profile& profile) : reach_(reach_px) {
  const auto count = static_cast<std::size_t>(std::ceil(reach_px * per_px)) + 2;
  values_.resize(count);
  for (std::size_t i = 0; i < count; ++i) {
    values_[i] = static_cast<float>(profile(static_cast<double>(i) / per_px));
  }
}

double RadialTable::value(double radius) const noexcept {
  if (!(radius < reach_)) return 0.0;
  const double at = radius * per_px;
  const auto i = static_cast<std::size_t>(at);
  const double part = at - static_cast<double>(i);
  return static_cast<double>(values_[i]) * (1.0 - part) +
         static_cast<double>(values_[i + 1]) * part;
}

Galaxy::Galaxy(const SkyScene& sky, Size frame)
    : centre_{sky.galaxy_x * (frame.width - 1), sky.galaxy_y * (frame.height - 1)},
      cos_(std::cos(sky.galaxy_angle_deg * degree)),
      sin_(std::sin(sky.galaxy_angle_deg * degree)),
      axis_ratio_(sky.galaxy_axis_ratio),
      halo_axis_ratio_(sky.halo_axis_ratio),
      spiral_depth_(sky.spiral_depth),
      spiral_winding_(2.0 / std::tan(sky.spiral_pitch_deg * degree)),
      spiral_start_(0.6 * sky.galaxy_radius_px),
      has_body_(sky.galaxy_e_per_s > 0.0),
      has_halo_(sky.halo_e_per_s > 0.0) {
  if (has_body_) {
    const double n = sky.galaxy_index;
    const double b = sersic_b(n);
    const double re = sky.galaxy_radius_px;
    // Total light of I = I_e exp(-b ((r/R_e)^(1/n) - 1)): 2 pi n q R_e^2 I_e e^b b^-2n Gamma(2n).
    const double peak = sky.galaxy_e_per_s * std::pow(b, 2.0 * n) /
                        (2.0 * std::numbers::pi * n * axis_ratio_ * re * re * std::tgamma(2.0 * n));
    const double end = std::log(std::max(peak / faintest, 2.0)) / b;
    const double reach = std::min(re * std::pow(end, n), 5000.0);
    body_ = RadialTable(reach,
                        [&](double r) { return peak * std::exp(-b * std::pow(r / re, 1.0 / n)); });
  }
  if (has_halo_) {
    const double h = sky.halo_radius_px;
    const double peak = sky.halo_e_per_s / (2.0 * std::numbers::pi * halo_axis_ratio_ * h * h);
    const double reach = std::min(h * std::log(std::max(peak / faintest, 2.0)), 8000.0);
    halo_ = RadialTable(reach, [&](double r) { return peak * std::exp(-r / h); });
  }
}

double Galaxy::arms(double u, double v, double radius) const noexcept {
  if (radius <= 0.0) return 1.0;
  const double growth = radius * radius / (radius * radius + spiral_start_ * spiral_start_);
  const double phase = 2.0 * std::atan2(v, u) - spiral_winding_ * std::log(radius);
  return 1.0 + spiral_depth_ * growth * std::cos(phase);
}

Galaxy::Light Galaxy::at(Point sky) const noexcept {
  const double dx = sky.x - centre_.x;
  const double dy = sky.y - centre_.y;
  const double u = cos_ * dx + sin_ * dy;
  const double v = cos_ * dy - sin_ * dx;
  Light light;
  if (has_body_) {
    const double w = v / axis_ratio_;
    const double radius = std::sqrt(u * u + w * w);
    light.body = body_.value(radius);
    if (spiral_depth_ > 0.0 && light.body > 0.0) light.body *= arms(u, w, radius);
  }
  if (has_halo_) {
    const double w = v / halo_axis_ratio_;
    light.halo = halo_.value(std::sqrt(u * u + w * w));
  }
  return light;
}

double Galaxy::reach() const noexcept { return std::max(body_.reach(), halo_.reach()); }

GalaxyImage::GalaxyImage(const Galaxy& galaxy, const Transform& sky_to_sub, const PointSpread& psf,
                         double seeing_fwhm_px, Size frame)
    : galaxy_(&galaxy),
      sub_to_sky_(sky_to_sub.inverse().value_or(Transform{})),
      centre_(sky_to_sub.apply(galaxy.centre())),
      core_radius_(std::min(80.0, 12.0 * seeing_fwhm_px)) {
  if (galaxy.empty()) return;
  const int r = static_cast<int>(std::ceil(core_radius_)) + 1;
  const int cx = static_cast<int>(std::lround(std::clamp(centre_.x, -1e6, 1e6)));
  const int cy = static_cast<int>(std::lround(std::clamp(centre_.y, -1e6, 1e6)));
  core_ = whole(frame).intersect({cx - r, cy - r, cx + r + 1, cy + r + 1});
  if (!core_.empty()) convolve_core(psf, seeing_fwhm_px);
}

Galaxy::Light GalaxyImage::pixel(int x, int y) const noexcept {
  const double dx = x - centre_.x;
  const double dy = y - centre_.y;
  const double r2 = dx * dx + dy * dy;
  // A cusp needs many points, the outskirts one.
  const int side = r2 < 4.0 ? 25 : r2 < 36.0 ? 9 : r2 < 400.0 ? 5 : r2 < 2500.0 ? 3 : 1;
  Galaxy::Light sum;
  for (int j = 0; j < side; ++j) {
    for (int i = 0; i < side; ++i) {
      const Point p{x + (i + 0.5) / side - 0.5, y + (j + 0.5) / side - 0.5};
      const auto light = galaxy_->at(sub_to_sky_.apply(p));
      sum.body += light.body;
      sum.halo += light.halo;
    }
  }
  sum.body /= side * side;
  sum.halo /= side * side;
  return sum;
}

void GalaxyImage::convolve_core(const PointSpread& psf, double seeing_fwhm_px) {
  const int k = std::clamp(static_cast<int>(std::ceil(5.0 * seeing_fwhm_px)), 6, 24);
  const int side = 2 * k + 1;
  Grid<float> kernel(side, side);
  double total = 0.0;
  for (int j = 0; j < side; ++j) {
    for (int i = 0; i < side; ++i) {
      const double value = psf.point_value(i - k, j - k);
      kernel(i, j) = static_cast<float>(value);
      total += value;
    }
  }
  const Rect wide = core_.expand(k);
  Grid<float> sharp(wide.width(), wide.height());
  for (int y = 0; y < sharp.height(); ++y) {
    for (int x = 0; x < sharp.width(); ++x) {
      sharp(x, y) = static_cast<float>(pixel(x + wide.x0, y + wide.y0).body);
    }
  }
  core_body_ = Grid<float>(core_.width(), core_.height());
  std::vector<float> line(static_cast<std::size_t>(core_.width()));
  for (int y = 0; y < core_body_.height(); ++y) {
    std::fill(line.begin(), line.end(), 0.0F);
    for (int j = 0; j < side; ++j) {
      const auto from = sharp.row(y + j);
      for (int i = 0; i < side; ++i) {
        const float factor = kernel(i, j);
        for (std::size_t x = 0; x < line.size(); ++x) {
          line[x] += factor * from[x + static_cast<std::size_t>(i)];
        }
      }
    }
    const auto to = core_body_.row(y);
    for (std::size_t x = 0; x < line.size(); ++x) to[x] = line[x] / static_cast<float>(total);
  }
}

void GalaxyImage::add_rows(PlaneView<float> pixels, int y0, int y1, const double (&body)[4],
                           const double (&halo)[4]) const noexcept {
  if (galaxy_->empty()) return;
  const double reach = galaxy_->reach();
  for (int y = y0; y < y1; ++y) {
    const double dy = y - centre_.y;
    if (std::abs(dy) > reach) continue;
    const double half = std::sqrt(reach * reach - dy * dy);
    const int left = std::max(0, static_cast<int>(std::ceil(std::min(centre_.x - half, 1e9))));
    const int right = std::min(pixels.width() - 1,
                               static_cast<int>(std::floor(std::max(centre_.x + half, -1e9))));
    const auto row = pixels.row(y);
    for (int x = left; x <= right; ++x) {
      auto light = galaxy_->at(sub_to_sky_.apply({static_cast<double>(x), static_cast<double>(y)}));
      if (core_.contains(x, y)) {
        const double r = std::hypot(x - centre_.x, dy) / core_radius_;
        const double t = std::clamp((1.0 - r) / 0.25, 0.0, 1.0);  // 1 inside 0.75, 0 at the rim
        const double share = t * t * (3.0 - 2.0 * t);
        const double smooth = static_cast<double>(core_body_(x - core_.x0, y - core_.y0));
        light.body += share * (smooth - light.body);
      }
      const auto cell = static_cast<unsigned>((x & 1) + 2 * (y & 1));
      row[static_cast<std::size_t>(x)] +=
          static_cast<float>(body[cell] * light.body + halo[cell] * light.halo);
    }
  }
}

}  // namespace coldframe::sim
