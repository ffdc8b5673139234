#include "coldframe/stars/profile_fit.hpp"

#include <array>
#include <cmath>
#include <limits>
#include <memory>
#include <numbers>
#include <vector>

#include "catch.hpp"
#include "stars/profile_lm.hpp"
#include "stars/profile_model.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;
using star_scene::Profile;

namespace {

/// Fills a pixel set with a (2r+1)^2 square, row by row, all of it integrated with `nodes`.
std::unique_ptr<FitWorkspace> square_of(int r, int nodes) {
  auto work = std::make_unique<FitWorkspace>();
  PixelSet& set = work->pixels;
  set.count = 0;
  for (int y = -r; y <= r; ++y) {
    for (int x = -r; x <= r; ++x) {
      set.x[set.count] = static_cast<float>(x);
      set.y[set.count++] = static_cast<float>(y);
    }
  }
  set.core_count = set.count;
  set.core_nodes = nodes;
  return work;
}

ParameterVector round_shape(double fwhm, double beta, double x, double y) {
  const double s = 4.0 / (fwhm * fwhm);
  ParameterVector p{};
  p[par_x] = x;
  p[par_y] = y;
  p[par_peak] = 1.0;
  p[par_s11] = s;
  p[par_s22] = s;
  p[par_b] = 1.0 / beta;
  return p;
}

Star start_of(double x, double y, double flux, double fwhm, double sky) {
  Star star;
  star.x = x;
  star.y = y;
  star.flux = flux;
  star.fwhm_px = fwhm;
  star.sky = sky;
  return star;
}

}  // namespace

TEST_CASE("pixel-integrated Gaussian agrees with the error function") {
  // check-values PSF-3: share of the brightest pixel, star at the pixel's centre / corner.
  const std::array<std::array<double, 3>, 5> table{{{1.0, 0.579072462231, 0.240820016894},
                                                    {1.5, 0.322069030999, 0.195168232315},
                                                    {2.0, 0.197083455518, 0.144768115558},
                                                    {3.0, 0.093201393115, 0.080517257750},
                                                    {5.0, 0.034657539580, 0.032821402753}}};
  for (const auto& row : table) {
    const auto work = square_of(0, 5);
    for (const bool corner : {false, true}) {
      const double at = corner ? 0.5 : 0.0;
      const ParameterVector p = round_shape(row[0], 3.0, at, at);
      evaluate_profile(work->pixels, p, true, work->terms);
      const double share = static_cast<double>(work->terms.g[0]) / unit_peak_flux(p, true);
      CHECK(share == Approx(corner ? row[2] : row[1]).epsilon(2e-5));
    }
  }
  // The 5x5 stamp of PSF-3: sigma 1 at (0.3, -0.2), corner and centre pixels.
  const auto work = square_of(2, 3);
  const ParameterVector p = round_shape(2.354820045030949, 3.0, 0.3, -0.2);
  evaluate_profile(work->pixels, p, true, work->terms);
  const double flux = unit_peak_flux(p, true);
  CHECK(static_cast<double>(work->terms.g[0]) / flux == Approx(0.002872815251).epsilon(1e-3));
  CHECK(static_cast<double>(work->terms.g[12]) / flux == Approx(0.138124831342).epsilon(1e-4));
  CHECK(static_cast<double>(work->terms.g[24]) / flux == Approx(0.004157778887).epsilon(1e-3));
}

TEST_CASE("total light and width of a Moffat follow its closed form") {
  // check-values PSF-2: peak alpha^2 / F and FWHM / alpha (Moffat 1969).
  const std::array<std::array<double, 3>, 4> table{{{2.0, 1.2871885058, 0.3183098862},
                                                    {2.5, 1.1305006161, 0.4774648293},
                                                    {3.5, 0.9359778933, 0.7957747155},
                                                    {4.765, 0.7914008354, 1.1984367215}}};
  for (const auto& row : table) {
    const double alpha = 2.5;
    const ParameterVector p = round_shape(alpha * row[1], row[0], 0.0, 0.0);
    CHECK(unit_peak_flux(p, false) == Approx(alpha * alpha / row[2]).epsilon(1e-9));
    // Sampled without a pixel the profile is half its peak at half the width.
    auto work = square_of(0, 1);
    work->pixels.x[0] = static_cast<float>(0.5 * alpha * row[1]);
    evaluate_profile(work->pixels, p, false, work->terms);
    CHECK(static_cast<double>(work->terms.g[0]) == Approx(0.5).epsilon(1e-6));
  }
}

TEST_CASE("analytic derivatives agree with differences") {
  auto plus = square_of(4, 4);
  auto minus = square_of(4, 4);
  auto centre = square_of(4, 4);
  for (const bool gaussian : {false, true}) {
    ParameterVector p = round_shape(2.6, 3.2, 0.23, -0.41);
    p[par_s12] = 0.08;
    p[par_s22] *= 1.3;
    evaluate_profile(centre->pixels, p, gaussian, centre->terms);
    const ModelTerms& t = centre->terms;
    for (const std::size_t k : {par_x, par_y, par_s11, par_s12, par_s22, par_b}) {
      if (gaussian && k == par_b) continue;
      const double h = 1e-3;
      ParameterVector q = p;
      q[k] = p[k] + h;
      evaluate_profile(plus->pixels, q, gaussian, plus->terms);
      q[k] = p[k] - h;
      evaluate_profile(minus->pixels, q, gaussian, minus->terms);
      double worst = 0.0;
      double largest = 0.0;
      for (std::size_t i = 0; i < centre->pixels.count; ++i) {
        const double numeric =
            (static_cast<double>(plus->terms.g[i]) - static_cast<double>(minus->terms.g[i])) /
            (2 * h);
        double analytic = 0.0;
        const double hx = static_cast<double>(t.hx[i]);
        const double hy = static_cast<double>(t.hy[i]);
        if (k == par_x) analytic = -2.0 * (p[par_s11] * hx + p[par_s12] * hy);
        if (k == par_y) analytic = -2.0 * (p[par_s12] * hx + p[par_s22] * hy);
        if (k == par_s11) analytic = static_cast<double>(t.hxx[i]);
        if (k == par_s12) analytic = 2.0 * static_cast<double>(t.hxy[i]);
        if (k == par_s22) analytic = static_cast<double>(t.hyy[i]);
        if (k == par_b) analytic = static_cast<double>(t.gb[i]);
        worst = std::max(worst, std::abs(analytic - numeric));
        largest = std::max(largest, std::abs(analytic));
      }
      INFO("parameter " << k << " gaussian " << gaussian);
      // float32 rounding over a step of 2e-3: about 1e-4 absolute.
      CHECK(worst < 3e-4 + 1e-3 * largest);
      CHECK(largest > 0.01);
    }
  }
}

TEST_CASE("recorded width: a Gaussian's moments and limits") {
  // Along a pixel axis the recorded Gaussian is a Gaussian times box in x; its half-width
  // solves erf((x+1/2)/s) - erf((x-1/2)/s) = erf(1/(2s)), s = sigma sqrt2 (closed form).
  for (const double fwhm : {0.8, 1.2, 2.0, 3.0, 6.0}) {
    const double s = fwhm / 2.354820045030949 * std::numbers::sqrt2;
    const double half = 0.5 * recorded_fwhm(fwhm, 0.0);
    const double value = std::erf((half + 0.5) / s) - std::erf((half - 0.5) / s);
    CHECK(value == Approx(std::erf(0.5 / s)).epsilon(1e-4));
  }
  CHECK(recorded_fwhm(0.0, 3.0) == 1.0);  // a point fills one pixel
  CHECK(recorded_fwhm(0.05, 3.0) == Approx(1.0).epsilon(0.02));
  CHECK(recorded_fwhm(20.0, 3.0) == Approx(20.0).epsilon(2e-3));
  // A Gaussian is the limit of large exponents.
  CHECK(recorded_fwhm(2.5, 200.0) == Approx(recorded_fwhm(2.5, 0.0)).epsilon(2e-3));
}

TEST_CASE("noise-free stars come back to the truth") {
  for (const Profile profile : {Profile{1.3, 3.0, 0.0, 0.0}, Profile{2.4, 2.5, 0.25, 35.0},
                                Profile{4.0, 4.0, 0.1, 150.0}, Profile{3.0, 0.0, 0.2, 80.0}}) {
    Grid<float> image(61, 57, 100.0F);
    const Mask mask(61, 57);
    star_scene::add_star(image, {30.37, 28.21, 50000.0}, profile, 40.0);
    ProfileFitOptions options;
    options.radius_px = 14;
    options.gaussian = profile.beta == 0.0;
    options.sky_sigma = 10.0;
    const Star star =
        fit_profile(image.cview(), mask.cview(), start_of(30, 28, 40000, 3.2, 101), options);
    INFO("fwhm " << profile.fwhm << " beta " << profile.beta);
    REQUIRE(star.fitted);
    CHECK(star.x == Approx(30.37).margin(2e-3));
    CHECK(star.y == Approx(28.21).margin(2e-3));
    CHECK(star.flux == Approx(50000.0).epsilon(5e-3));
    CHECK(star.sky == Approx(100.0).margin(0.3));
    const double geometric = recorded_fwhm(profile.fwhm, profile.beta);
    CHECK(star.fwhm_px == Approx(geometric).epsilon(5e-3));
    if (profile.ellipticity > 0.0) {
      CHECK(star.angle_deg == Approx(profile.angle_deg).margin(0.5));
      const double root = std::sqrt(1.0 - profile.ellipticity);
      CHECK(star.fwhm_major_px ==
            Approx(recorded_fwhm(profile.fwhm / root, profile.beta)).epsilon(5e-3));
      CHECK(star.fwhm_minor_px ==
            Approx(recorded_fwhm(profile.fwhm * root, profile.beta)).epsilon(5e-3));
    }
  }
}

TEST_CASE("centroids scatter as the Cramer-Rao bound allows and errors are honest") {
  // check-values PSF-6: bounds per axis with sky and shape free, Gaussian, 41x41 px, read
  // noise 5 e, star at a pixel's centre.
  struct Row {
    double sigma, flux, sky, bound_x, bound_flux;
  };
  for (const Row& row :
       {Row{1.0, 1e4, 100, 0.01334199, 118.666204}, Row{1.5, 1e4, 1000, 0.04234686, 271.971259},
        Row{2.0, 1e5, 100, 0.00733720, 343.218940}}) {
    constexpr int trials = 400;
    const int side = 43;
    double sx = 0, sy = 0, sf = 0, bias = 0, predicted = 0, predicted_flux = 0;
    int fitted = 0;
    Grid<float> clean(side, side, static_cast<float>(row.sky));
    star_scene::add_star(clean, {21, 21, row.flux}, {row.sigma * 2.354820045, 0.0, 0, 0}, 9.0);
    const Mask mask(side, side);
    for (int t = 0; t < trials; ++t) {
      Grid<float> image = clean.clone();
      star_scene::add_noise(image, 5.0, 1000 + static_cast<std::uint64_t>(t));
      ProfileFitOptions options;
      options.radius_px = 20;
      options.gaussian = true;
      options.sky_sigma = std::sqrt(row.sky + 25.0);
      const Star star =
          fit_profile(image.cview(), mask.cview(),
                      start_of(21.3, 20.8, row.flux * 0.8, row.sigma * 2.6, row.sky), options);
      if (!star.fitted) continue;
      ++fitted;
      sx += (star.x - 21) * (star.x - 21);
      sy += (star.y - 21) * (star.y - 21);
      sf += (star.flux - row.flux) * (star.flux - row.flux);
      bias += star.flux / row.flux - 1.0;
      predicted += star.x_error;
      predicted_flux += star.flux_error;
    }
    INFO("sigma " << row.sigma << " flux " << row.flux << " sky " << row.sky);
    REQUIRE(fitted == trials);
    const double scatter = std::sqrt(0.5 * (sx + sy) / trials);
    // 800 values: the scatter itself is known to 2.5%; three of that.
    CHECK(scatter <= 1.08 * row.bound_x);
    CHECK(scatter >= 0.92 * row.bound_x);
    CHECK(predicted / trials == Approx(row.bound_x).epsilon(0.03));
    // PSF-6's "free" column leaves sky and one width free; three shape numbers cost a little more.
    CHECK(std::sqrt(sf / trials) <= 1.15 * row.bound_flux);
    CHECK(predicted_flux / trials == Approx(row.bound_flux).epsilon(0.05));
    CHECK(std::abs(bias / trials) < 3.5 * row.bound_flux / row.flux / std::sqrt(trials));
  }
}

TEST_CASE("hopeless starts fail quietly") {
  Grid<float> image(40, 30, 5.0F);
  Mask mask(40, 30);
  const ProfileFitOptions options;
  CHECK_FALSE(
      fit_profile(image.cview(), mask.cview(), start_of(-50, 10, 10, 3, 5), options).fitted);
  CHECK_FALSE(fit_profile(image.cview(), mask.cview(),
                          start_of(std::numeric_limits<double>::quiet_NaN(), 10, 10, 3, 5), options)
                  .fitted);
  mask.fill(mask_bit::defect);
  CHECK_FALSE(
      fit_profile(image.cview(), mask.cview(), start_of(20, 15, 100, 3, 5), options).fitted);
  image.fill(std::numeric_limits<float>::quiet_NaN());
  mask.fill(0);
  CHECK_FALSE(
      fit_profile(image.cview(), mask.cview(), start_of(20, 15, 100, 3, 5), options).fitted);
}
