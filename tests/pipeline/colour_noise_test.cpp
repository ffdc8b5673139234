// Noise of colour planes on canvases of other pixel sizes, and where half-size samples lie.
#include <array>

#include "catch.hpp"
#include "coldframe/pipeline/combine_pass.hpp"
#include "pipeline/combine_tile_loader.hpp"

using namespace coldframe;
using namespace coldframe::pipeline;
using sensor::Demosaic;

TEST_CASE("half-size pixels keep the published share of their samples' noise", "[colour]") {
  // check-values RES-1: Lanczos-3 keeps 0.7981 of white noise, mean over phases; green is a mean of
  // two. A wide aperture keeps all: one red, two green samples per pixel. The unit of the response
  // is the sensor's: light of four pixels, of which one or two were seen.
  const auto half = noise_response(CfaPattern::grbg, Demosaic::half_size, {}, {2.0, 1.0, 3.0}, 2.0);
  CHECK(half.pixel[0] == Approx(0.7981).epsilon(0.02));
  CHECK(half.pixel[1] == Approx(0.5 * 0.7981).epsilon(0.02));
  CHECK(half.pixel[2] == Approx(0.7981).epsilon(0.02));
  // Some 1000 apertures of 16 px: 5 %; three of these.
  CHECK(half.aperture[0][usual_aperture] == Approx(1.0).epsilon(0.15));
  CHECK(half.aperture[1][usual_aperture] == Approx(0.5).epsilon(0.15));
}

TEST_CASE("the noise of filled-in colours follows the canvas's pixel size", "[colour]") {
  // A wide aperture holds step^2 sensor pixels per pixel, a quarter of them red, half green: the
  // mean over it has 4 / step^2 and 2 / step^2 of a sample's variance, in every method that keeps
  // coarse structure to a colour's own samples.
  for (const auto method : {Demosaic::bilinear, Demosaic::own_lattice, Demosaic::lmmse}) {
    const auto coarse = noise_response(CfaPattern::rggb, method, {}, {1.0, 1.0, 1.0}, 2.0);
    INFO(sensor::to_string(method));
    CHECK(coarse.aperture[0][usual_aperture] == Approx(1.0).epsilon(0.15));
    CHECK(coarse.aperture[1][usual_aperture] == Approx(0.5).epsilon(0.15));
    const auto fine = noise_response(CfaPattern::rggb, method, {}, {1.0, 1.0, 1.0}, 1.0);
    CHECK(fine.aperture[0][usual_aperture] == Approx(4.0).epsilon(0.15));
    CHECK(fine.aperture[1][usual_aperture] == Approx(2.0).epsilon(0.15));
    CHECK(coarse.pixel[0] < 0.9 * fine.pixel[0]);
  }
}

TEST_CASE("a lattice's transform is the frame's at its samples", "[colour]") {
  Transform bent = Transform::affine(0.99, 0.1, 5.0, -0.1, 0.99, 7.0);
  Polynomial2 p;
  p.order = 3;
  p.centre = {300.0, 200.0};
  p.scale = 250.0;
  p.x = {305.0, 247.0, 25.0, 0.5, -0.3, 0.2, 1.5, 0.1, 1.5, -0.2};
  p.y = {195.0, -25.0, 247.0, 0.1, 0.4, -0.6, 0.2, 1.5, 0.3, 1.5};
  for (const bool polynomial : {false, true}) {
    Transform full = bent;
    if (polynomial) {
      full.model = TransformModel::polynomial;
      full.polynomial = p;
    }
    for (const double step : {1.0, 2.0}) {
      const Point offset{0.25, 1.0};
      const auto lattice = lattice_transform(full, step, offset);
      for (const Point i : {Point{0.0, 0.0}, Point{31.0, 90.5}, Point{270.0, 12.0}}) {
        const Point there = lattice.apply(i);
        const Point want = full.apply({step * i.x + offset.x, step * i.y + offset.y});
        CHECK(there.x == Approx(want.x).margin(1e-9));
        CHECK(there.y == Approx(want.y).margin(1e-9));
        const auto j = lattice.jacobian(i);
        const auto of_full = full.jacobian({step * i.x + offset.x, step * i.y + offset.y});
        CHECK(j[1] == Approx(step * of_full[1]).margin(1e-9));
      }
    }
  }
}
