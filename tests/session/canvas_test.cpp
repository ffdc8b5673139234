// The canvas against geometry worked out by hand.
#include "coldframe/session/canvas.hpp"

#include <cmath>
#include <numbers>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

Footprint shifted(Size frame, double dx, double dy) {
  return {frame, Transform::affine(1, 0, dx, 0, 1, dy)};
}

Footprint turned(Size frame, double degrees) {
  const double a = degrees * std::numbers::pi / 180.0;
  const double cx = (frame.width - 1) / 2.0;
  const double cy = (frame.height - 1) / 2.0;
  const double c = std::cos(a);
  const double s = std::sin(a);
  return {frame, Transform::affine(c, -s, cx - c * cx + s * cy, s, c, cy - s * cx - c * cy)};
}

bool covered_by_all(const std::vector<Footprint>& subs, double x, double y) {
  for (const auto& sub : subs) {
    const Point p = sub.to_reference.unapply({x, y});
    if (p.x < -1e-6 || p.y < -1e-6 || p.x > sub.frame.width - 1 + 1e-6 ||
        p.y > sub.frame.height - 1 + 1e-6)
      return false;
  }
  return true;
}

}  // namespace

TEST_CASE("the reference's frame is the canvas unless another is asked for", "[canvas]") {
  const Size frame{300, 200};
  const std::vector<Footprint> subs{shifted(frame, 0, 0), shifted(frame, 12.3, -7.6)};
  const Canvas canvas = choose_canvas(subs, frame, {});
  CHECK(canvas.is_reference(frame));
}

TEST_CASE("common and all are intersection and union of shifted frames", "[canvas]") {
  const Size frame{300, 200};
  const std::vector<Footprint> subs{shifted(frame, 0, 0), shifted(frame, 12.3, -7.6),
                                    shifted(frame, -3.2, 4.1)};
  const Canvas all = choose_canvas(subs, frame, {CanvasChoice::all, 1.0});
  CHECK(all.x0 == -4);
  CHECK(all.y0 == -8);
  CHECK(all.size == Size{317, 213});  // to 299 + 12.3 and 199 + 4.1, whole pixels
  const Canvas common = choose_canvas(subs, frame, {CanvasChoice::common, 1.0});
  CHECK(common.x0 == 13);
  CHECK(common.y0 == 5);
  CHECK(common.size == Size{295 - 13 + 1, 191 - 5 + 1});  // to 299 - 3.2 and 199 - 7.6
}

TEST_CASE("the common rectangle of turned frames is covered and cannot grow", "[canvas]") {
  const Size frame{400, 300};
  const std::vector<Footprint> subs{turned(frame, 0), turned(frame, 5), turned(frame, -8)};
  const Canvas c = choose_canvas(subs, frame, {CanvasChoice::common, 1.0});
  const int x1 = c.x0 + c.size.width - 1;
  const int y1 = c.y0 + c.size.height - 1;
  for (const int x : {c.x0, x1}) {
    for (const int y : {c.y0, y1}) CHECK(covered_by_all(subs, x, y));
  }
  // The largest upright rectangle inside two rectangles turned by 5 and -8 degrees has no simple
  // closed form; it is well above half of the frame and no side can move out.
  CHECK(c.size.count() > frame.count() / 2);
  CHECK_FALSE((covered_by_all(subs, c.x0 - 1, c.y0) && covered_by_all(subs, c.x0 - 1, y1)));
  CHECK_FALSE((covered_by_all(subs, x1 + 1, c.y0) && covered_by_all(subs, x1 + 1, y1)));
  CHECK_FALSE((covered_by_all(subs, c.x0, c.y0 - 1) && covered_by_all(subs, x1, c.y0 - 1)));
  CHECK_FALSE((covered_by_all(subs, c.x0, y1 + 1) && covered_by_all(subs, x1, y1 + 1)));
}

TEST_CASE("subs without a field in common are refused with the other choices", "[canvas]") {
  const Size frame{100, 100};
  const std::vector<Footprint> subs{shifted(frame, 0, 0), shifted(frame, 150, 0)};
  CHECK_THROWS_AS(choose_canvas(subs, frame, {CanvasChoice::common, 1.0}), Error);
  CHECK(choose_canvas(subs, frame, {CanvasChoice::all, 1.0}).size == Size{250, 100});
  CHECK_THROWS_AS(choose_canvas(subs, frame, {CanvasChoice::all, 1e4}), Error);
}

TEST_CASE("pixel edges stay aligned when the scale changes", "[canvas]") {
  Canvas canvas{{200, 200}, 10, 20, 2.0};
  const Transform step = onto_canvas(Transform{}, canvas);
  // The lower left corner of reference pixel (10, 20) is the canvas's corner (-1/2, -1/2).
  const Point corner = step.apply({9.5, 19.5});
  CHECK(corner.x == Approx(-0.5));
  CHECK(corner.y == Approx(-0.5));
  // Two pixels where there was one.
  const Point next = step.apply({10.5, 20.5});
  CHECK(next.x == Approx(1.5));
  CHECK(next.y == Approx(1.5));
}

TEST_CASE("the step onto the canvas is exact for every model", "[canvas]") {
  const Canvas canvas{{100, 100}, -7, 3, 1.5};
  const auto expected = [&](Point r) {
    return Point{1.5 * (r.x + 7 + 0.5) - 0.5, 1.5 * (r.y - 3 + 0.5) - 0.5};
  };
  Transform homography = Transform::affine(1.01, 0.02, 5.5, -0.03, 0.98, -2.5);
  homography.model = TransformModel::homography;
  homography.matrix[6] = 1e-5;
  homography.matrix[7] = -2e-5;
  Transform bent = Transform::affine(1, 0, 0, 0, 1, 0);
  bent.model = TransformModel::polynomial;
  bent.polynomial =
      Polynomial2{2, {50, 40}, 60, {3, 60, 1, 0.5, -0.2, 0.1}, {-4, -1, 60, 0.2, 0.3, -0.4}};
  for (const Transform& t : {homography, bent}) {
    const Transform moved = onto_canvas(t, canvas);
    for (const Point p : {Point{0, 0}, Point{99, 12}, Point{31.5, 77.25}}) {
      const Point want = expected(t.apply(p));
      const Point got = moved.apply(p);
      CHECK(got.x == Approx(want.x).margin(1e-9));
      CHECK(got.y == Approx(want.y).margin(1e-9));
    }
  }
}

TEST_CASE("sky coordinates follow the canvas", "[canvas]") {
  Header header;
  header.set("CRPIX1", 101.0);
  header.set("CRPIX2", 51.0);
  header.set("CD1_1", -4e-4);
  header.set("CD2_2", 4e-4);
  header.set("A_2_0", 1e-6);
  header.set("XPIXSZ", 3.8);
  move_sky_coordinates(header, {{100, 100}, 20, -10, 2.0});
  // Reference position 100 (0-based) lies at 2 (100 - 20 + 1/2) - 1/2 = 160.5 on the canvas.
  CHECK(header.real("CRPIX1").value() == Approx(161.5));
  CHECK(header.real("CRPIX2").value() == Approx(2 * (50 + 10 + 0.5) - 0.5 + 1.0));
  CHECK(header.real("CD1_1").value() == Approx(-2e-4));
  // A quadratic term: s f(u/s) = f(u)/s.
  CHECK(header.real("A_2_0").value() == Approx(0.5e-6));
  CHECK(header.real("XPIXSZ").value() == Approx(1.9));
}
