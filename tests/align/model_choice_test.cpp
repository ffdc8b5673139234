// How general a mapping the stars of one sub ask for.
#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/align/match.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::align;

namespace {

constexpr Size frame{1500, 1000};

struct Lists {
  StarList sub, reference;
};

// 200 stars whose places are known to 0.05 px, mapped by `truth`; some in one list only.
template <typename Truth>
Lists draw(std::uint64_t seed, Truth&& truth) {
  RandomStream random(seed, 21, 0);
  Lists lists;
  const auto star = [&](Point p, double flux) {
    Star s;
    s.x = p.x + 0.05 * random.normal();
    s.y = p.y + 0.05 * random.normal();
    s.x_error = s.y_error = 0.05;
    s.flux = flux;
    s.fitted = true;
    return s;
  };
  for (int i = 0; i < 230; ++i) {
    const Point p{1499.0 * random.uniform(), 999.0 * random.uniform()};
    const double flux = std::pow(random.uniform() + 1e-3, -1.5);
    if (i % 11 != 0) lists.sub.push_back(star(p, flux));
    if (i % 13 != 0) lists.reference.push_back(star(truth(p), flux));
  }
  return lists;
}

const Transform base = Transform::affine(0.999, -0.05, 31.0, 0.05, 0.999, -12.0);

// Rms over the whole frame, edges and corners included.
template <typename Truth>
double error_of(const Transform& found, Truth&& truth) {
  double squares = 0.0;
  for (int j = 0; j <= 8; ++j) {
    for (int i = 0; i <= 8; ++i) {
      const Point p{1499.0 * i / 8, 999.0 * j / 8};
      const Point a = found.apply(p), b = truth(p);
      squares += (a.x - b.x) * (a.x - b.x) + (a.y - b.y) * (a.y - b.y);
    }
  }
  return std::sqrt(squares / 81.0);
}

}  // namespace

TEST_CASE("the model grows with what the stars show", "[align][models]") {
  const auto affine = [](Point p) { return base.apply(p); };
  // A tilted sensor: the scale changes by 1 % across the frame, 2 px at its corners.
  const auto tilted = [](Point p) {
    const double w = 1.0 + 6e-6 * (p.x - 750.0) - 3e-6 * (p.y - 500.0);
    const Point q = base.apply(p), c = base.apply({750.0, 500.0});
    return Point{c.x + (q.x - c.x) / w, c.y + (q.y - c.y) / w};
  };
  // Radial distortion of 2 px at the corner, as another camera's optics would show.
  const auto radial = [](Point p) {
    const double u = (p.x - 749.5) / 901.0, v = (p.y - 499.5) / 901.0;
    const double f = 1.0 + 2.0 / 901.0 * (u * u + v * v);
    return base.apply({749.5 + 901.0 * u * f, 499.5 + 901.0 * v * f});
  };
  const auto fifth = [](Point p) {
    const double u = (p.x - 749.5) / 901.0, v = (p.y - 499.5) / 901.0;
    const double r = u * u + v * v;
    const double f = 1.0 + (3.0 * r - 9.0 * r * r) / 901.0;
    return base.apply({749.5 + 901.0 * u * f, 499.5 + 901.0 * v * f});
  };
  int bent_without_need = 0;
  for (std::uint64_t seed = 1; seed <= 40; ++seed) {
    const auto lists = draw(seed, affine);
    const auto first = match_stars(lists.sub, lists.reference, {});
    REQUIRE(first.status == MatchStatus::matched);
    const auto best = refine_model(lists.sub, frame, lists.reference, first);
    bent_without_need += best.transform.model > TransformModel::affine ? 1 : 0;
  }
  CHECK(bent_without_need == 0);
  const auto check = [&](const auto& truth, TransformModel model, int order, double limit) {
    for (std::uint64_t seed = 50; seed < 55; ++seed) {
      const auto lists = draw(seed, truth);
      const auto first = match_stars(lists.sub, lists.reference, {});
      REQUIRE(first.status == MatchStatus::matched);
      const auto best = refine_model(lists.sub, frame, lists.reference, first);
      CHECK(best.transform.model == model);
      if (best.transform.polynomial) CHECK(best.transform.polynomial->order == order);
      CHECK(error_of(best.transform, truth) < limit);
      CHECK(best.pairs.size() > 150);
    }
  };
  // 0.07 px per pair and axis: with 8, 20 and 42 parameters for 190 pairs of coordinates the rms at
  // the stars is 0.07 sqrt(p/190) = 0.014, 0.023, 0.033 px; about twice that on a lattice that
  // gives edges and corners their full weight, and half as much again for single seeds.
  check(tilted, TransformModel::homography, 0, 0.045);
  check(radial, TransformModel::polynomial, 3, 0.07);
  check(fifth, TransformModel::polynomial, 5, 0.10);
}

TEST_CASE("nothing bends where no stars are", "[align][models]") {
  const auto radial = [](Point p) {
    const double u = (p.x - 749.5) / 901.0, v = (p.y - 499.5) / 901.0;
    const double f = 1.0 + 3.0 / 901.0 * (u * u + v * v);
    return base.apply({749.5 + 901.0 * u * f, 499.5 + 901.0 * v * f});
  };
  auto lists = draw(7, radial);
  // A galaxy or a cloud keeps one corner free of stars in the sub.
  std::erase_if(lists.sub, [](const Star& s) { return s.x > 900.0 && s.y > 600.0; });
  const auto first = match_stars(lists.sub, lists.reference, {});
  REQUIRE(first.status == MatchStatus::matched);
  CHECK(refine_model(lists.sub, frame, lists.reference, first).transform.model <=
        TransformModel::affine);
}
