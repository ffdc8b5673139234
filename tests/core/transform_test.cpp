// Mappings of the plane: worked numbers, compositions against application one after the other.
#include "coldframe/core/transform.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"

using namespace coldframe;

namespace {

Transform bent() {
  Transform t;
  t.model = TransformModel::polynomial;
  t.polynomial = Polynomial2{3,
                             {500, 400},
                             600,
                             {510, 600, 4, 1, -0.5, 2, 3, 0.1, 2.5, 0.3},
                             {390, -5, 601, 0.4, 1, 0, 0.2, 3, 0, 2}};
  t.matrix = {1, 4.0 / 600, 10, -5.0 / 600, 601.0 / 600, -10, 0, 0, 1};
  return t;
}

Transform perspective() {
  Transform t = Transform::affine(1.01, -0.2, 30, 0.19, 0.98, -7);
  t.model = TransformModel::homography;
  t.matrix[6] = 2e-5;
  t.matrix[7] = -3e-5;
  return t;
}

double apart(Point a, Point b) { return std::hypot(a.x - b.x, a.y - b.y); }

const std::vector<Point> places{{0, 0}, {999, 0}, {0, 799}, {999, 799}, {321.5, 456.25}};

}  // namespace

TEST_CASE("Terms of a polynomial are in the documented order", "[core][transform]") {
  // 1, u, v, u^2, uv, v^2 at u = 2, v = 3 with prime coefficients.
  const Polynomial2 p{2, {1, 2}, 2, {2, 3, 5, 7, 11, 13}, {0, 0, 0, 0, 1, 0}};
  const auto local = p.local({5, 8});
  CHECK(local.value.x == 2 + 3 * 2 + 5 * 3 + 7 * 4 + 11 * 6 + 13 * 9);
  CHECK(local.value.y == 6.0);
  // d/du = 3 + 14 u + 11 v, d/dv = 5 + 11 u + 26 v; u = (x - 1)/2.
  CHECK(local.jacobian[0] == (3 + 28 + 33) / 2.0);
  CHECK(local.jacobian[1] == (5 + 22 + 78) / 2.0);
  CHECK(local.jacobian[2] == 1.5);
  CHECK(local.jacobian[3] == 1.0);
}

TEST_CASE("Areas are those of small squares", "[core][transform]") {
  // A square of side h about p and the polygon of its corners' images (shoelace formula).
  constexpr double h = 0.01;
  for (const Transform& t : {bent(), perspective(), Transform::affine(0, 2, 5, 2, 0, 7)}) {
    for (const Point p : places) {
      const Point corner[4] = {t.apply({p.x - h, p.y - h}), t.apply({p.x + h, p.y - h}),
                               t.apply({p.x + h, p.y + h}), t.apply({p.x - h, p.y + h})};
      double twice = 0.0;
      for (int k = 0; k < 4; ++k) {
        const Point a = corner[k], b = corner[(k + 1) % 4];
        twice +=
            (a.x - corner[0].x) * (b.y - corner[0].y) - (b.x - corner[0].x) * (a.y - corner[0].y);
      }
      const double ratio = 0.5 * twice / (4.0 * h * h);
      CHECK(std::fabs(t.local(p).determinant() / ratio - 1.0) < 1e-7);
      CHECK(std::fabs(t.source_area(p) * std::fabs(ratio) - 1.0) < 1e-7);
    }
  }
  CHECK(Transform::affine(0, 2, 5, 2, 0, 7).local({}).determinant() == -4.0);
}

TEST_CASE("Going back returns", "[core][transform]") {
  for (const Transform& t : {bent(), perspective(), Transform::affine(0, -2, 5, 2, 0, 7)}) {
    for (const Point p : places) CHECK(apart(t.unapply(t.apply(p)), p) < 1e-8);
  }
}

TEST_CASE("The linear part agrees with differences", "[core][transform]") {
  constexpr double h = 1e-3;
  for (const Transform& t : {bent(), perspective()}) {
    for (const Point p : places) {
      const auto j = t.jacobian(p);
      const Point right = t.apply({p.x + h, p.y}), left = t.apply({p.x - h, p.y});
      const Point up = t.apply({p.x, p.y + h}), down = t.apply({p.x, p.y - h});
      // Rounding of coordinates of 1000 over 2h: 1e-10; curvature h^2: less.
      CHECK(std::fabs(j[0] - (right.x - left.x) / (2 * h)) < 1e-9);
      CHECK(std::fabs(j[1] - (up.x - down.x) / (2 * h)) < 1e-9);
      CHECK(std::fabs(j[2] - (right.y - left.y) / (2 * h)) < 1e-9);
      CHECK(std::fabs(j[3] - (up.y - down.y) / (2 * h)) < 1e-9);
    }
  }
}

TEST_CASE("A composition is one mapping after the other", "[core][transform]") {
  const auto zoom = Transform::affine(2, 0.1, 0.5, -0.3, 1.9, 0.5);
  for (const Transform& inner : {bent(), perspective(), zoom}) {
    const auto both = inner.then(zoom);
    for (const Point p : places) CHECK(apart(both.apply(p), zoom.apply(inner.apply(p))) < 1e-9);
    CHECK(both.model == std::max(inner.model, TransformModel::affine));
  }
  const auto seen = perspective().then(perspective());
  for (const Point p : places) {
    CHECK(apart(seen.apply(p), perspective().apply(perspective().apply(p))) < 1e-9);
  }
  CHECK_THROWS_AS(zoom.then(bent()), Error);
  CHECK_THROWS_AS(bent().then(perspective()), Error);
}
