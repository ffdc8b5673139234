#include "sim/psf.hpp"

#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <iomanip>
#include <numbers>

#include "catch.hpp"
#include "near.hpp"
#include "sim/galaxy.hpp"
#include "sim/star_field.hpp"

using namespace coldframe;
using namespace coldframe::sim;

namespace {

constexpr Size frame{401, 301};

PointSpread make_psf(double fwhm, double beta, double smear = 0.0) {
  OpticsScene optics;
  optics.psf_beta = beta;
  SubScene sub;
  sub.seeing_fwhm_px = fwhm;
  sub.smear_px = smear;
  return {optics, sub, frame};
}

/// The definition: a Moffat ellipse averaged over a 400 x 400 grid of points in the pixel.
double brute_force(double fwhm, double beta, const LocalShape& shape, double dx, double dy) {
  const double alpha = fwhm * shape.scale / (2.0 * std::sqrt(std::pow(2.0, 1.0 / beta) - 1.0));
  const double major = alpha / std::sqrt(1.0 - shape.ellipticity);
  const double minor = alpha * std::sqrt(1.0 - shape.ellipticity);
  constexpr int side = 400;
  double sum = 0.0;
  for (int j = 0; j < side; ++j) {
    for (int i = 0; i < side; ++i) {
      const double x = dx + (i + 0.5) / side - 0.5;
      const double y = dy + (j + 0.5) / side - 0.5;
      const double u = (x * shape.ux + y * shape.uy) / major;
      const double v = (y * shape.ux - x * shape.uy) / minor;
      sum += std::pow(1.0 + u * u + v * v, -beta);
    }
  }
  return sum / (side * side) * (beta - 1.0) / (std::numbers::pi * alpha * alpha);
}

struct Case {
  double fwhm, beta;
  LocalShape shape;
};
const Case cases[] = {{1.0, 3.5, {}},
                      {1.5, 2.5, {}},
                      {2.0, 4.765, {1.0, 0.4, 0.6, 0.8}},
                      {3.0, 3.5, {1.6, 0.4, 0.0, 1.0}},
                      {6.0, 2.25, {1.0, 0.2, 1.0, 0.0}},
                      {12.0, 3.0, {}}};

}  // namespace

TEST_CASE("Moffat width and peak have their published values") {
  // Moffat 1969: FWHM = 2 alpha sqrt(2^(1/beta) - 1), peak (beta - 1)/(pi alpha^2).
  CHECK(1.0 / moffat_alpha(1.0, 3.5) == Near(0.9359778933).epsilon(1e-9));
  CHECK(1.0 / moffat_alpha(1.0, 2.5) == Near(1.1305006161).epsilon(1e-9));
  const double alpha = moffat_alpha(3.0, 3.5);
  CHECK(make_psf(3.0, 3.5).point_value(0, 0) * alpha * alpha == Near(0.7957747155).epsilon(1e-9));
  for (const double beta : {2.0, 2.5, 3.0, 3.3, 4.765, 6.0}) {
    CHECK(InversePower(beta)(1.7) == Near(std::pow(1.7, -beta)).epsilon(1e-14));
  }
}

TEST_CASE("pixel integrals agree with brute force to 1e-4 of the peak") {
  for (const Case& c : cases) {
    CAPTURE(c.fwhm, c.beta);
    const auto psf = make_psf(c.fwhm, c.beta);
    const double peak = psf.pixel_share(0, 0, c.shape);
    for (const double dx : {0.0, 0.37, 1.5, 4.2, 9.7, 31.0}) {
      for (const double dy : {-0.25, 2.6}) {
        CAPTURE(dx, dy);
        CHECK(std::abs(psf.pixel_share(dx, dy, c.shape) -
                       brute_force(c.fwhm, c.beta, c.shape, dx, dy)) < 2e-5 * peak);
      }
    }
  }
}

TEST_CASE("pixel integrals for the outside check") {
  // Read by tests/crosscheck/sim_crosscheck.py, which integrates the same pixels with scipy.
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  if (folder == nullptr) return;
  std::filesystem::create_directories(folder);
  std::ofstream out(std::filesystem::path(folder) / "moffat_pixels.csv");
  out << std::setprecision(15) << "fwhm,beta,scale,ellipticity,ux,uy,dx,dy,share\n";
  for (const Case& c : cases) {
    for (const double dx : {0.0, 0.5, -1.3, 3.9, 12.2}) {
      for (const double dy : {0.0, -0.45, 2.1}) {
        out << c.fwhm << ',' << c.beta << ',' << c.shape.scale << ',' << c.shape.ellipticity << ','
            << c.shape.ux << ',' << c.shape.uy << ',' << dx << ',' << dy << ','
            << make_psf(c.fwhm, c.beta).pixel_share(dx, dy, c.shape) << '\n';
      }
    }
  }
  REQUIRE(out.good());
}

TEST_CASE("recorded width is that of the pixel-convolved profile") {
  for (const double fwhm : {1.5, 3.0, 8.0}) {
    const auto psf = make_psf(fwhm, 3.5);
    const auto width = psf.recorded_width();
    // Half maximum found independently, by stepping the brute-force profile along x.
    const double half = 0.5 * brute_force(fwhm, 3.5, {}, 0, 0);
    double r = 0.3 * fwhm;
    while (brute_force(fwhm, 3.5, {}, r, 0) > half) r += 0.01;
    CHECK(width.fwhm_px == Near(2.0 * r).margin(0.025));  // step 0.02 in the diameter
    CHECK(width.fwhm_px > fwhm);
    CHECK(width.ellipticity < 0.02);
  }
  const auto smeared = make_psf(3.0, 3.5, 9.0).recorded_width();
  CHECK(smeared.ellipticity > 0.5);
  // The long axis of a much smeared star is about the smear's length (its half-maximum points).
  CHECK(smeared.fwhm_px == Near(std::sqrt(9.0 * 3.2)).epsilon(0.15));
}

TEST_CASE("smear and jump keep the light, shape changes towards the corners") {
  OpticsScene optics;
  optics.corner_fwhm_factor = 1.6;
  optics.corner_ellipticity = 0.4;
  SubScene sub;
  sub.smear_px = 12.0;
  sub.smear_angle_deg = 90.0;
  sub.jump_px = 10.0;
  sub.jump_share = 0.3;
  const PointSpread psf(optics, sub, frame);
  Grid<float> pixels(frame);
  const double weights[4] = {1, 1, 1, 1};
  psf.add_star(pixels.view(), 0, frame.height, {200.2, 149.6}, 1e6, weights, 0.01);
  double sum = 0.0;
  double mx = 0.0;
  double my = 0.0;
  for (int y = 0; y < frame.height; ++y) {
    for (int x = 0; x < frame.width; ++x) {
      const double v = static_cast<double>(pixels(x, y));
      sum += v;
      mx += v * x;
      my += v * y;
    }
  }
  CHECK(sum == Near(1e6).epsilon(1.1e-3));            // the cut is at most 1e-3
  CHECK(mx / sum == Near(200.2 + 3.0).margin(0.01));  // 30% displaced by 10
  CHECK(my / sum == Near(149.6).margin(0.01));
  const auto corner = psf.shape_at({-0.5, -0.5});
  CHECK(corner.scale == Near(1.6).epsilon(1e-3));
  CHECK(corner.ellipticity == Near(0.4).epsilon(1e-3));
  CHECK(corner.ux / corner.uy == Near(401.0 / 301.0).epsilon(1e-6));  // along the radius
  CHECK(psf.shape_at({200, 150}).scale == Near(1.0));
}

TEST_CASE("Sersic and King profiles have their published values") {
  // Ciotti & Bertin 1999: exact roots of Gamma(2n)/2 = gamma(2n, b).
  CHECK(sersic_b(1.0) == Near(1.678346990017).epsilon(4e-5));
  CHECK(sersic_b(2.0) == Near(3.672060748851).epsilon(2e-6));
  CHECK(sersic_b(4.0) == Near(7.669249442501).epsilon(1e-6));
  // King 1962 with c = 1.53: half of the stars within 3.05457022 core radii.
  CHECK(king_enclosed(3.05457022, 33.884415613920) == Near(0.5).epsilon(1e-8));
  CHECK(king_enclosed(40.0, 33.884415613920) == Near(1.0));
}

TEST_CASE("a galaxy's light adds up and half of it lies inside the effective radius") {
  SkyScene sky;
  sky.galaxy_e_per_s = 1000.0;
  sky.galaxy_radius_px = 12.0;
  sky.galaxy_index = 2.0;
  sky.galaxy_axis_ratio = 0.7;
  sky.galaxy_angle_deg = 90.0;
  const Galaxy galaxy(sky, frame);
  const auto psf = make_psf(2.5, 3.5);
  const GalaxyImage image(galaxy, Transform{}, psf, 2.5, frame);
  Grid<float> pixels(frame, 0.0F);
  const double one[4] = {1, 1, 1, 1};
  image.add_rows(pixels.view(), 0, frame.height, one, one);
  double total = 0.0;
  for (int y = 0; y < frame.height; ++y) {
    for (const float v : pixels.row(y)) total += static_cast<double>(v);
  }
  CHECK(total == Near(1000.0).epsilon(5e-3));
  // Definition of R_e on the unconvolved light, by summing it finely; long axis along y.
  double inside = 0.0;
  constexpr double step = 0.05;
  for (double y = -12.0; y < 12.0; y += step) {
    for (double x = -12.0; x < 12.0; x += step) {
      if (std::hypot(y, x / 0.7) < 12.0) {
        inside += galaxy.at({galaxy.centre().x + x, galaxy.centre().y + y}).body * step * step;
      }
    }
  }
  CHECK(inside == Near(500.0).epsilon(5e-3));
}
