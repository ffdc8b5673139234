// Sessions made for the trail search alone: frames of stars, a galaxy and sky with the faults of
// real nights, and lines of light drawn by their own code (not the simulator's). Every
// quantity is in electrons and full pixels; the previews are binned here as well.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <vector>

#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/pipeline/trail_search.hpp"

namespace trials {

using namespace coldframe;

inline constexpr double sky_e = 380.0;
inline constexpr double read_noise_e = 4.5;
inline constexpr double full_well_e = 60000.0;
inline double sky_noise() { return std::sqrt(sky_e + read_noise_e * read_noise_e); }

enum class Shape { steady, fading, dashes, blinking, spindle };

/// A line of light in one sub, in that sub's pixels.
struct Line {
  int sub = 0;
  double x1 = 0, y1 = 0, x2 = 0, y2 = 0;
  double peak_e = 0;
  double fwhm = 3.0;
  double disc_px = 0.0;  ///< > 0: out of focus, a disc of this diameter
  Shape shape = Shape::steady;
  double snr = 0.0;  ///< matched, filled in when drawn

  [[nodiscard]] double length() const { return std::hypot(x2 - x1, y2 - y1); }
  /// Moffat wings (beta 3, integrated along the line), or a disc's projection with a soft edge.
  [[nodiscard]] double across(double d) const {
    if (disc_px > 0.0) {
      const double u = 2.0 * std::fabs(d) / disc_px;
      return (u < 1.0 ? std::sqrt(1.0 - u * u) : 0.0) + 0.02 / std::pow(1.0 + u * u, 2.5);
    }
    const double a = 0.5 * fwhm / std::sqrt(std::pow(2.0, 1.0 / 2.5) - 1.0);
    return std::pow(1.0 + d * d / (a * a), -2.5);
  }
  /// Brightness along the line, t in pixels from its first end.
  [[nodiscard]] double along(double t) const {
    const double l = length();
    if (t < 0.0 || t > l) return 0.0;
    switch (shape) {
      case Shape::steady:
        return 1.0;
      case Shape::fading:
        return 1.0 - 0.8 * t / l;
      case Shape::dashes:
        return std::fmod(t, 0.11 * l) < 0.05 * l ? 1.0 : 0.15;
      case Shape::blinking: {
        const double period = l / 14.0;
        const double from_flash = std::fabs(std::fmod(t, period) - 0.5 * period);
        return 0.08 + std::exp(-0.5 * from_flash * from_flash / (fwhm * fwhm));
      }
      case Shape::spindle:
        return std::pow(std::sin(std::numbers::pi * t / l), 2.0);
    }
    return 0.0;
  }
  [[nodiscard]] double at(double x, double y) const {
    const double l = length();
    const double ux = (x2 - x1) / l;
    const double uy = (y2 - y1) / l;
    const double t = (x - x1) * ux + (y - y1) * uy;
    return peak_e * along(t) * across((y - y1) * ux - (x - x1) * uy);
  }
  /// Calls `f(x, y, light)` for the pixels of `size` within `reach` of the line.
  template <typename F>
  void draw(Size size, double reach, F&& f) const {
    const double l = length();
    const double ux = (x2 - x1) / l;
    const double uy = (y2 - y1) / l;
    const int top = static_cast<int>(std::min(std::max(y1, y2) + reach + 1.0, size.height - 1.0));
    for (int y = std::max(static_cast<int>(std::min(y1, y2) - reach), 0); y <= top; ++y) {
      double low = std::min(x1, x2) - reach;
      double high = std::max(x1, x2) + reach;
      if (std::fabs(uy) > 1e-6) {
        const double middle = x1 + (y - y1) * ux / uy;
        low = std::max(low, middle - reach / std::fabs(uy));
        high = std::min(high, middle + reach / std::fabs(uy));
      }
      for (int x = std::max(static_cast<int>(low), 0);
           x <= std::min(static_cast<int>(high) + 1, size.width - 1); ++x) {
        const double light = at(x, y);
        if (light > 0.0) f(x, y, light);
      }
    }
  }
  [[nodiscard]] double reach() const {
    // Where the light falls under a hundredth of the noise.
    double d = 1.0;
    while (d < 400.0 && peak_e * across(d) > 0.01 * sky_noise()) d += 1.0;
    return d;
  }
};

struct Night {
  Size frame{1200, 900};
  int subs = 6;
  int bin = 2;
  double fwhm = 3.0;
  double seeing_change = 0.1;  ///< relative, one sigma from sub to sub
  double dither_px = 6.0;
  double drift_px = 0.0;            ///< along x, from sub to sub
  double registration_error = 0.1;  ///< px, one sigma
  double turn_deg = 0.0;            ///< from sub to sub
  double depth_change = 0.05;       ///< of the transparency
  int stars = 250;
  bool galaxy = true;
  bool cluster = false;
  bool spikes = false;
  double gradient = 0.0;    ///< sky slope over the frame, in sky noise; its direction turns
  double cloud = 0.0;       ///< structure of 1/6 of the frame, in sky noise
  double cloud_edge = 0.0;  ///< a step with a soft edge of 60 px in one sub, in sky noise
  int cosmic_rays = 30;
  double bad_columns = 0.0;  ///< height of some columns that calibration left, in sky noise
  double row_noise = 0.0;    ///< of every row, in sky noise
  std::uint64_t seed = 1;
};

struct Star {
  double x, y, flux;
};

/// One session. Sub pixel = turn about the middle + shift; the transforms given to the search
/// carry a registration error.
class Session {
 public:
  Session(const Night& night, std::vector<Line> lines) : night_(night), lines_(std::move(lines)) {
    RandomStream random(night.seed, 901, 0);
    make_sky(random);
    for (int k = 0; k < night.subs; ++k) add_sub(k, random);
  }
  [[nodiscard]] std::vector<std::vector<stack::Trail>> search(
      int threads = 2, const stack::TrailOptions& options = {}) const {
    std::vector<pipeline::PreviewSub> subs;
    for (std::size_t k = 0; k < previews_.size(); ++k) {
      const auto* preview = &previews_[k];
      subs.push_back({[preview] {
                        pipeline::SubMeasurement m;
                        m.frame = preview->frame;
                        m.preview = preview->preview.clone();
                        m.preview_mask = preview->preview_mask.clone();
                        m.preview_bin = preview->preview_bin;
                        return m;
                      },
                      assumed_[k]});
    }
    return pipeline::search_trails(subs, night_.frame, options, Threads{threads}, {});
  }
  [[nodiscard]] const Night& night() const { return night_; }
  [[nodiscard]] const std::vector<Line>& lines() const { return lines_; }
  [[nodiscard]] const Transform& assumed(int sub) const {
    return assumed_[static_cast<std::size_t>(sub)];
  }

 private:
  void make_sky(RandomStream& random) {
    const auto [w, h] = std::pair{night_.frame.width, night_.frame.height};
    for (int k = 0; k < night_.stars; ++k) {
      const double flux = 300.0 * std::pow(random.uniform() + 1e-4, -1.1);
      stars_.push_back({(1.2 * random.uniform() - 0.1) * w, (1.2 * random.uniform() - 0.1) * h,
                        std::min(flux, 4e6)});
    }
    if (night_.cluster) {
      for (int k = 0; k < 4000; ++k) {
        const double r = 0.05 * h * std::sqrt(1.0 / (1.0 - 0.95 * random.uniform()) - 1.0);
        const double angle = 2.0 * std::numbers::pi * random.uniform();
        stars_.push_back({0.5 * w + r * std::cos(angle), 0.5 * h + r * std::sin(angle),
                          200.0 * std::pow(random.uniform() + 1e-3, -0.9)});
      }
    }
    if (night_.spikes) stars_.push_back({0.4 * w, 0.55 * h, 2e7});
    for (int k = 0; k < 6; ++k) columns_.push_back(static_cast<int>(random.uniform() * w));
  }

  [[nodiscard]] Transform transform_of(int k, RandomStream& random) const {
    const double angle = k * night_.turn_deg * std::numbers::pi / 180.0;
    const double c = std::cos(angle);
    const double s = std::sin(angle);
    const double mx = 0.5 * night_.frame.width;
    const double my = 0.5 * night_.frame.height;
    const double dx = k * night_.drift_px + night_.dither_px * random.normal();
    const double dy = night_.dither_px * random.normal();
    // sub -> canvas
    return Transform::affine(c, -s, mx - c * mx + s * my + dx, s, c, my - s * mx - c * my + dy);
  }

  void add_sub(int k, RandomStream& random) {
    const Transform truth = k == 0 ? Transform{} : transform_of(k, random);
    Transform assumed = truth;
    assumed.matrix[2] += night_.registration_error * random.normal();
    assumed.matrix[5] += night_.registration_error * random.normal();
    assumed_.push_back(assumed);
    const double fwhm = night_.fwhm * std::max(1.0 + night_.seeing_change * random.normal(), 0.6);
    const double depth = std::max(1.0 + night_.depth_change * random.normal(), 0.3);
    Grid<float> light(night_.frame, static_cast<float>(sky_e));
    add_objects(light, truth, fwhm, depth);
    add_smooth(light, k, random);
    for (Line& line : lines_) {
      if (line.sub == k) add_line(light, line);
    }
    add_noise(light, k);
    previews_.push_back(bin(light));
  }

  void add_objects(Grid<float>& light, const Transform& truth, double fwhm, double depth) const {
    const Size size = night_.frame;
    const double a = 0.5 * fwhm / std::sqrt(std::pow(2.0, 1.0 / 3.0) - 1.0);
    for (const Star& star : stars_) {
      const Point at = truth.unapply({star.x, star.y});
      const double peak = depth * star.flux * 2.0 / (std::numbers::pi * a * a);
      const double reach = std::min(a * std::pow(peak / 0.3, 1.0 / 6.0) + 2.0, 300.0);
      stamp(light, at, reach, [&](double dx, double dy) {
        return peak * std::pow(1.0 + (dx * dx + dy * dy) / (a * a), -3.0);
      });
      if (!night_.spikes || star.flux < 2e5) continue;
      const double long_reach = 60.0 * std::pow(star.flux / 2e5, 0.4);
      stamp(light, at, long_reach, [&](double dx, double dy) {
        const double p = (dx + dy) * std::numbers::sqrt2 / 2.0;
        const double q = (dx - dy) * std::numbers::sqrt2 / 2.0;
        const auto arm = [&](double along, double across) {
          return std::exp(-0.5 * across * across / 2.0) / (1.0 + along * along / 100.0);
        };
        return 0.004 * peak * (arm(p, q) + arm(q, p));
      });
    }
    if (!night_.galaxy) return;
    const Point middle = truth.unapply({0.6 * size.width, 0.45 * size.height});
    stamp(light, middle, 0.45 * size.height, [&](double dx, double dy) {
      const double east = truth.matrix[0] * dx + truth.matrix[1] * dy;
      const double north = truth.matrix[3] * dx + truth.matrix[4] * dy;
      const double u = (0.9 * east + 0.43 * north) / (0.09 * size.height);
      const double v = (-0.43 * east + 0.9 * north) / (0.012 * size.height);
      return depth * 900.0 * std::exp(-std::sqrt(u * u + v * v));
    });
  }

  template <typename F>
  static void stamp(Grid<float>& light, Point at, double reach, F&& f) {
    const Rect all = whole(light.size());
    const Rect box = Rect{static_cast<int>(at.x - reach), static_cast<int>(at.y - reach),
                          static_cast<int>(at.x + reach) + 2, static_cast<int>(at.y + reach) + 2}
                         .intersect(all);
    for (int y = box.y0; y < box.y1; ++y) {
      for (int x = box.x0; x < box.x1; ++x) {
        light(x, y) += static_cast<float>(f(x - at.x, y - at.y));
      }
    }
  }

  void add_smooth(Grid<float>& light, int k, RandomStream& random) const {
    const double angle = 0.6 * k;
    std::array<double, 6> phase{};
    for (double& p : phase) p = 2.0 * std::numbers::pi * random.uniform();
    const double w = night_.frame.width;
    const double h = night_.frame.height;
    const double edge = 0.3 * w + 0.4 * w * random.uniform();
    const bool has_edge = night_.cloud_edge != 0.0 && k == night_.subs / 2;
    if (night_.gradient == 0.0 && night_.cloud == 0.0 && !has_edge) return;
    for (int y = 0; y < light.height(); ++y) {
      for (int x = 0; x < light.width(); ++x) {
        const double u = x / w - 0.5;
        const double v = y / h - 0.5;
        double add = night_.gradient * (std::cos(angle) * u + std::sin(angle) * v + u * u * 0.6);
        const double turns = 2.0 * std::numbers::pi * 6.0;
        add += night_.cloud / 3.0 *
               (std::sin(turns * (0.9 * u + 0.3 * v) + phase[0]) +
                std::sin(turns * (0.2 * u - 0.8 * v) + phase[1]) +
                std::sin(0.7 * turns * (u + v) + phase[2]));
        if (has_edge)
          add += night_.cloud_edge * 0.5 * (1.0 + std::tanh((x + 0.3 * y - edge) / 60.0));
        light(x, y) += static_cast<float>(add * sky_noise());
      }
    }
  }

  void add_line(Grid<float>& light, Line& line) const {
    double power = 0.0;
    line.draw(night_.frame, line.reach(), [&](int x, int y, double e) {
      light(x, y) += static_cast<float>(e);
      power += e * e;
    });
    line.snr = std::sqrt(power) / sky_noise();
  }

  void add_noise(Grid<float>& light, int k) const {
    RandomStream random(night_.seed, 902, static_cast<std::uint64_t>(k));
    for (int y = 0; y < light.height(); ++y) {
      const double row = night_.row_noise * random.normal();
      for (float& v : light.row(y)) {
        const double e = std::min(static_cast<double>(v), full_well_e);
        v = static_cast<float>(
            e + std::sqrt(std::max(e, 0.0) + read_noise_e * read_noise_e) * random.normal() +
            row * sky_noise());
      }
    }
    for (const int x : columns_) {
      for (int y = 0; night_.bad_columns != 0.0 && y < light.height(); ++y) {
        light(x, y) += static_cast<float>(night_.bad_columns * sky_noise());
      }
    }
    for (int c = 0; c < night_.cosmic_rays; ++c) {
      const double x = random.uniform() * light.width();
      const double y = random.uniform() * light.height();
      const double angle = std::numbers::pi * random.uniform();
      const double length = 1.0 + 12.0 * std::pow(random.uniform(), 4.0);
      for (double t = 0.0; t < length; t += 1.0) {
        const auto i = static_cast<int>(x + t * std::cos(angle));
        const auto j = static_cast<int>(y + t * std::sin(angle));
        if (whole(light.size()).contains(i, j)) light(i, j) += 1500.0F;
      }
    }
  }

  [[nodiscard]] pipeline::SubMeasurement bin(const Grid<float>& light) const {
    pipeline::SubMeasurement m;
    const int b = night_.bin;
    m.frame = light.size();
    m.preview_bin = b;
    m.preview = Grid<float>(light.width() / b, light.height() / b);
    m.preview_mask = Mask(m.preview.size());
    std::vector<double> all;
    std::vector<double> steps;
    for (int j = 0; j < m.preview.height(); ++j) {
      for (int i = 0; i < m.preview.width(); ++i) {
        double sum = 0.0;
        for (int y = j * b; y < (j + 1) * b; ++y) {
          for (int x = i * b; x < (i + 1) * b; ++x) sum += static_cast<double>(light(x, y));
        }
        m.preview(i, j) = static_cast<float>(sum / (b * b));
        if ((i + j) % 3 == 0) all.push_back(sum / (b * b));
        if (i >= 4) steps.push_back(static_cast<double>(m.preview(i, j) - m.preview(i - 4, j)));
      }
    }
    const double noise = robust_sigma(steps) / std::numbers::sqrt2;
    const double level = median(all);
    for (int j = 0; j < m.preview.height(); ++j) {
      for (float& v : m.preview.row(j)) {
        v = static_cast<float>((static_cast<double>(v) - level) / noise);
      }
    }
    return m;
  }

  Night night_;
  std::vector<Line> lines_;
  std::vector<Star> stars_;
  std::vector<int> columns_;
  std::vector<pipeline::SubMeasurement> previews_;
  std::vector<Transform> assumed_;
};

}  // namespace trials
