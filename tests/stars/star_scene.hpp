// Star fields with known truth for the tests of this module. Rendered by brute force
// (midpoint rule on a fine sub-grid, wings further out more coarsely), sharing nothing
// with the fitter's quadrature.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/random.hpp"

namespace star_scene {

struct Profile {
  double fwhm = 3.0;         // before the pixel, geometric mean
  double beta = 3.5;         // 0 = Gaussian
  double ellipticity = 0.0;  // 1 - minor/major
  double angle_deg = 0.0;
};

struct TrueStar {
  double x = 0.0;
  double y = 0.0;
  double flux = 0.0;
};

/// Surface brightness of a star of unit flux.
class Brightness {
 public:
  explicit Brightness(const Profile& p) : beta_(p.beta) {
    const double ratio = 1.0 - p.ellipticity;
    const double major = p.fwhm / std::sqrt(ratio);
    const double minor = p.fwhm * std::sqrt(ratio);
    const double a = p.angle_deg * std::numbers::pi / 180.0;
    c_ = std::cos(a);
    s_ = std::sin(a);
    if (beta_ > 0.0) {
      const double per_fwhm = 2.0 * std::sqrt(std::exp2(1.0 / beta_) - 1.0);
      u_ = major / per_fwhm;
      v_ = minor / per_fwhm;
      norm_ = (beta_ - 1.0) / (std::numbers::pi * u_ * v_);
    } else {
      u_ = major / 2.354820045030949;
      v_ = minor / 2.354820045030949;
      norm_ = 1.0 / (2.0 * std::numbers::pi * u_ * v_);
    }
  }
  double operator()(double dx, double dy) const {
    const double a = (dx * c_ + dy * s_) / u_;
    const double b = (-dx * s_ + dy * c_) / v_;
    const double q = a * a + b * b;
    return norm_ * (beta_ > 0.0 ? std::pow(1.0 + q, -beta_) : std::exp(-0.5 * q));
  }

 private:
  double beta_, c_ = 1.0, s_ = 0.0, u_ = 1.0, v_ = 1.0, norm_ = 1.0;
};

inline double pixel_integral(const Brightness& b, double dx, double dy, int n) {
  double sum = 0.0;
  for (int j = 0; j < n; ++j) {
    for (int i = 0; i < n; ++i) sum += b(dx - 0.5 + (i + 0.5) / n, dy - 0.5 + (j + 0.5) / n);
  }
  return sum / (n * n);
}

inline void add_star(coldframe::Grid<float>& image, const TrueStar& star, const Profile& p,
                     double reach_fwhm = 12.0) {
  const Brightness b(p);
  const int r = static_cast<int>(std::ceil(reach_fwhm * p.fwhm)) + 2;
  const int cx = static_cast<int>(std::lround(star.x));
  const int cy = static_cast<int>(std::lround(star.y));
  for (int y = std::max(0, cy - r); y <= std::min(image.height() - 1, cy + r); ++y) {
    for (int x = std::max(0, cx - r); x <= std::min(image.width() - 1, cx + r); ++x) {
      const double d = std::hypot(x - star.x, y - star.y) / p.fwhm;
      const int n = p.fwhm < 2.0 && d < 5.0 ? 16 : d < 1.0 ? 9 : d < 3.0 ? 4 : 2;
      image(x, y) += static_cast<float>(star.flux * pixel_integral(b, x - star.x, y - star.y, n));
    }
  }
}

/// Turns expectation (electrons) into a noisy frame: photon noise in the normal
/// approximation, good for the tens of electrons of sky used here, and read noise.
inline void add_noise(coldframe::Grid<float>& image, double read_noise, std::uint64_t seed) {
  for (int y = 0; y < image.height(); ++y) {
    coldframe::RandomStream random(seed, 77, static_cast<std::uint64_t>(y));
    for (float& v : image.row(y)) {
      const double sd = std::sqrt(std::max(0.0, static_cast<double>(v)) + read_noise * read_noise);
      v = static_cast<float>(static_cast<double>(v) + sd * random.normal());
    }
  }
}

/// Positions uniform, at least `margin` from the border; fluxes log-uniform between the limits.
inline std::vector<TrueStar> random_stars(int count, int width, int height, double margin,
                                          double faint, double bright, std::uint64_t seed) {
  std::vector<TrueStar> stars;
  coldframe::RandomStream random(seed, 78, 0);
  for (int i = 0; i < count; ++i) {
    TrueStar star;
    star.x = margin + random.uniform() * (width - 1 - 2 * margin);
    star.y = margin + random.uniform() * (height - 1 - 2 * margin);
    star.flux = faint * std::pow(bright / faint, random.uniform());
    stars.push_back(star);
  }
  return stars;
}

/// Stars on a jittered lattice: no blends.
inline std::vector<TrueStar> lattice_stars(int width, int height, double pitch, double faint,
                                           double bright, std::uint64_t seed) {
  std::vector<TrueStar> stars;
  coldframe::RandomStream random(seed, 79, 0);
  for (double y = pitch / 2; y < height - pitch / 2 + 1e-9; y += pitch) {
    for (double x = pitch / 2; x < width - pitch / 2 + 1e-9; x += pitch) {
      TrueStar star;
      star.x = x + random.uniform() - 0.5;
      star.y = y + random.uniform() - 0.5;
      star.flux = faint * std::pow(bright / faint, random.uniform());
      stars.push_back(star);
    }
  }
  return stars;
}

}  // namespace star_scene
