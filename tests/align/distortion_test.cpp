// The joint distortion model on simulated star lists with known optics.
#include "coldframe/align/distortion.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "align/near.hpp"
#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::align;

namespace {

constexpr Size frame{3000, 2000};

// True optics, written independently of the model: a radial displacement of k3 r^3 + k5 r^5 about a
// point off the middle, in units of half the diagonal.
struct Optics {
  Point centre{1540.0, 980.0};
  double k3 = 0.0, k5 = 0.0;

  // Where the ideal position is recorded (fixed point of ideal = recorded + displacement).
  [[nodiscard]] Point record(Point ideal) const {
    Point p = ideal;
    for (int i = 0; i < 50; ++i) {
      const Point d = displacement(p);
      p = {ideal.x - d.x, ideal.y - d.y};
    }
    return p;
  }
  [[nodiscard]] Point displacement(Point p) const {
    constexpr double half = 1802.7756377319947;
    const double u = (p.x - centre.x) / half, v = (p.y - centre.y) / half, r2 = u * u + v * v;
    const double f = k3 * r2 + k5 * r2 * r2;
    return {f * u, f * v};
  }
  [[nodiscard]] Point ideal(Point p) const {
    const Point d = displacement(p);
    return {p.x + d.x, p.y + d.y};
  }
};

struct Session {
  std::vector<StarList> lists;
  std::vector<Transform> to_sky;  // ideal sub -> ideal reference
  StarList reference;
};

Star star_at(Point p, double flux, double error) {
  Star s;
  s.x = p.x;
  s.y = p.y;
  s.flux = flux;
  s.x_error = s.y_error = error;
  s.fitted = true;
  return s;
}

bool on_frame(Point p) {
  return p.x > 8 && p.y > 8 && p.x < frame.width - 9 && p.y < frame.height - 9;
}

// `per_frame` stars on a frame; position errors between 0.01 and 0.05 px.
Session make_session(const Optics& optics, int subs, double dither_px, int per_frame,
                     std::uint64_t seed) {
  RandomStream random(seed, 40, 0);
  Session session;
  struct Source {
    Point at;
    double flux;
    double error;
  };
  std::vector<Source> sky;
  const double wide = frame.width * 1.6, high = frame.height * 1.8;
  const auto count = static_cast<int>(per_frame * 1.6 * 1.8);
  for (int i = 0; i < count; ++i) {
    const double flux = std::pow(random.uniform() + 1e-3, -1.0);
    sky.push_back({{0.5 * frame.width + wide * (random.uniform() - 0.5),
                    0.5 * frame.height + high * (random.uniform() - 0.5)},
                   flux,
                   std::clamp(0.05 / std::sqrt(flux), 0.01, 0.05)});
  }
  const auto observe = [&](const Transform& to_sky) {
    StarList list;
    for (const Source& s : sky) {
      const Point p = optics.record(to_sky.unapply(s.at));
      if (!on_frame(p)) continue;
      list.push_back(star_at({p.x + s.error * random.normal(), p.y + s.error * random.normal()},
                             s.flux * (1.0 + 0.02 * random.normal()), s.error));
    }
    std::ranges::sort(list, std::ranges::greater{}, &Star::flux);
    return list;
  };
  session.reference = observe({});
  for (int i = 0; i < subs; ++i) {
    const double turn = (i % 2 == 0 ? 0.0 : std::numbers::pi) + 0.01 * (random.uniform() - 0.5);
    const double c = std::cos(turn), s = std::sin(turn);
    const Point m{0.5 * frame.width, 0.5 * frame.height};
    const double tx = m.x - (c * m.x - s * m.y) + dither_px * (2.0 * random.uniform() - 1.0);
    const double ty = m.y - (s * m.x + c * m.y) + dither_px * (2.0 * random.uniform() - 1.0);
    session.to_sky.push_back(Transform::affine(c, -s, tx, s, c, ty));
    session.lists.push_back(observe(session.to_sky.back()));
  }
  return session;
}

struct Errors {
  double median = 0.0, worst = 0.0;
};

// Of a transform over a lattice of the sub that includes its corners.
Errors errors_of(const Transform& found, const Transform& to_sky, const Optics& optics) {
  std::vector<double> errors;
  for (int j = 0; j <= 10; ++j) {
    for (int i = 0; i <= 10; ++i) {
      const Point p{(frame.width - 1) * 0.1 * i, (frame.height - 1) * 0.1 * j};
      const Point truth = optics.record(to_sky.apply(optics.ideal(p)));
      if (!on_frame(truth)) continue;
      const Point q = found.apply(p);
      errors.push_back(std::hypot(q.x - truth.x, q.y - truth.y));
    }
  }
  std::ranges::sort(errors);
  return {errors[errors.size() / 2], errors.back()};
}

struct Registered {
  DistortionFit fit;
  Errors plain, modelled;  // worst over subs of each
};

Registered register_session(const Session& session, const Optics& optics) {
  std::vector<DistortedSub> subs;
  Registered r;
  for (std::size_t i = 0; i < session.lists.size(); ++i) {
    const auto match = match_stars(session.lists[i], session.reference, {});
    REQUIRE(match.status == MatchStatus::matched);
    subs.push_back({session.lists[i], match.transform, 0});
    const auto e = errors_of(match.transform, session.to_sky[i], optics);
    r.plain = {std::max(r.plain.median, e.median), std::max(r.plain.worst, e.worst)};
  }
  DistortionOptions options;
  options.frames = {frame};
  r.fit = fit_distortion(subs, session.reference, options);
  const auto& set_up = r.fit.set_ups.front();
  for (std::size_t i = 0; i < subs.size(); ++i) {
    const auto match = match_undistorted(subs[i], frame, session.reference, set_up, set_up);
    REQUIRE(match.status == MatchStatus::matched);
    const auto e = errors_of(match.transform, session.to_sky[i], optics);
    r.modelled = {std::max(r.modelled.median, e.median), std::max(r.modelled.worst, e.worst)};
  }
  return r;
}

}  // namespace

TEST_CASE("Distortion and its inverse", "[align][distortion]") {
  Distortion d{DistortionKind::radial, {1499.5, 999.5}, 1802.0, {5.0, -2.0}};
  // r^2 + r^4 times the position at u = (1, 0): 5 - 2 = 3 px.
  CHECK(d.undistort({1499.5 + 1802.0, 999.5}).x == Near(1499.5 + 1802.0 + 3.0).margin(1e-9));
  for (const Point p : {Point{0, 0}, Point{2999, 0}, Point{100, 1999}}) {
    const Point q = d.distort(d.undistort(p));
    CHECK(std::hypot(q.x - p.x, q.y - p.y) < 1e-8);
  }
  CHECK(Distortion::terms(DistortionKind::cubic) == 14);
  CHECK(Distortion::terms(DistortionKind::quintic) == 36);
}

TEST_CASE("Three pixels of radial distortion do not blur the corners", "[align][distortion]") {
  // Issue: 3 px radial distortion, dithers of 10% of the frame, <= 0.05 px at the corners;
  // half the subs after a mount's flip.
  const Optics optics{{1540.0, 980.0}, 3.0, 0.0};
  const auto session = make_session(optics, 12, 200.0, 300, 1);
  const auto r = register_session(session, optics);
  CAPTURE(to_string(r.fit.kind), r.plain.worst, r.modelled.median, r.modelled.worst, r.fit.plain_px,
          r.fit.modelled_px);
  CHECK(r.fit.kind >= DistortionKind::radial);
  CHECK(r.plain.worst > 0.3);  // there is something to win
  CHECK(r.modelled.median <= 0.02);
  CHECK(r.modelled.worst <= 0.05);
}

TEST_CASE("Few stars in each sub share the model of all", "[align][distortion]") {
  const Optics optics{{1540.0, 980.0}, 3.0, 0.0};
  const auto session = make_session(optics, 30, 200.0, 40, 2);
  const auto r = register_session(session, optics);
  CAPTURE(to_string(r.fit.kind), r.plain.worst, r.modelled.median, r.modelled.worst);
  CHECK(r.fit.kind >= DistortionKind::radial);
  // 40 stars of 0.03 px each on both sides: an affine fit alone leaves 0.042 sqrt(3/40) = 0.012 px
  // in the middle and three times that at the corners; the worst of 30 subs: twice more.
  CHECK(r.modelled.median <= 0.03);
  CHECK(r.modelled.worst <= 0.12);
  CHECK(r.modelled.worst < 0.4 * r.plain.worst);
}

TEST_CASE("No distortion, no model", "[align][distortion]") {
  const Optics optics;
  const auto session = make_session(optics, 8, 100.0, 150, 3);
  const auto r = register_session(session, optics);
  CHECK(r.fit.kind == DistortionKind::none);
  CHECK(r.modelled.median <= 0.02);
  CHECK(r.modelled.worst <= 0.06);
}

TEST_CASE("Residual vectors are bounded and point from the reference to the sub's star",
          "[align][distortion]") {
  const Optics optics;
  auto session = make_session(optics, 1, 50.0, 100, 4);
  const auto match = match_stars(session.lists[0], session.reference, {});
  REQUIRE(match.status == MatchStatus::matched);
  const auto vectors = residual_vectors(match, session.lists[0], session.reference, 20);
  REQUIRE(vectors.size() == 20);
  double squares = 0.0;
  const auto all = residual_vectors(match, session.lists[0], session.reference, 100000);
  CHECK(all.size() == match.pairs.size());
  for (const auto& v : all) squares += v.dx * v.dx + v.dy * v.dy;
  CHECK(std::sqrt(squares / (2.0 * static_cast<double>(all.size()))) ==
        Near(match.rms_px).epsilon(0.01));
}
