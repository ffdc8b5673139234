// Error, Header, Image, CfaPattern, Transform.
#include <cmath>
#include <cstdint>
#include <limits>
#include <numbers>

#include "catch.hpp"
#include "coldframe/core/cfa.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/core/units.hpp"

using namespace coldframe;

TEST_CASE("an error is one harmless line", "[error]") {
  const Error full(ErrorKind::input, "a b.fits", "not a FITS file", "leave it out");
  CHECK(std::string(full.what()) == "a b.fits: not a FITS file; leave it out");
  CHECK(std::string(Error(ErrorKind::usage, "", "no input", "").what()) == "no input");
  const Error nasty(ErrorKind::io, "x\n\x1b[2Jy", "disk\tfull", "");
  CHECK(std::string(nasty.what()) == "x\\x0a\\x1b[2Jy: disk\\x09full");
  CHECK(nasty.path() == "x\n\x1b[2Jy");  // the data keep the name as it is
  CHECK(printable("Käfer \xE2\x98\x85") == "Käfer \xE2\x98\x85");
  CHECK(printable("a\xC2\x9Bz\x7F") == "a\\x9bz\\x7f");  // C1 control: one-byte CSI in disguise
  CHECK(exit_status(ErrorKind::usage) == 2);
  CHECK(exit_status(ErrorKind::input) == 3);
  CHECK(exit_status(ErrorKind::not_enough_data) == 4);
  CHECK(exit_status(ErrorKind::io) == 5);
  CHECK(exit_status(ErrorKind::interrupted) == 130);
}

TEST_CASE("header cards keep their order and come back as they were set", "[header]") {
  Header header;
  header.set("object", "Wren's Galaxy", "what it is");
  header.set("EXPTIME", 300.0);
  header.set("NCOMBINE", 12);
  header.set("BIG", std::int64_t{9007199254740993});
  header.set("DONE", true);
  header.history("first");
  header.history("second");
  REQUIRE(header.cards().size() == 7);
  CHECK(header.cards()[0].keyword == "OBJECT");
  CHECK(header.text("Object").value() == "Wren's Galaxy");
  CHECK(header.real("exptime").value() == 300.0);
  CHECK(header.cards()[1].value == "300.0");
  CHECK(header.cards()[1].type == Card::Type::real);
  CHECK(header.integer("NCOMBINE").value() == 12);
  CHECK(header.cards()[3].value == "9007199254740993");
  CHECK(header.logical("DONE").value());
  CHECK(header.cards()[6].value == "second");
  header.set("OBJECT", "Other");
  CHECK(header.cards().size() == 7);
  CHECK(header.cards()[0].value == "Other");
  CHECK(header.cards()[0].comment == "what it is");  // kept when no new one is given
  header.remove("history");
  CHECK(header.cards().size() == 5);
  for (const double value : {0.1, -1.0 / 3.0, 6.02214076e23, 5e-324, 1e22, 123456789.0}) {
    header.set("X", value);
    CHECK(header.real("X").value() == value);  // shortest text that reads back exactly
  }
  header.set("X", std::nan(""));
  CHECK(header.find("X")->type == Card::Type::undefined);
  CHECK_FALSE(header.real("X"));
}

TEST_CASE("header look-ups take numbers as people write them and refuse the rest", "[header]") {
  Header header;
  const auto text_card = [&](const char* keyword, const char* value) {
    header.add({keyword, value, "", Card::Type::text});
  };
  text_card("A", " 300.0 ");
  text_card("B", "1.5D+02");
  text_card("C", "+7");
  text_card("D", "nan");
  text_card("E", "inf");
  text_card("F", "12 s");
  text_card("G", "");
  text_card("H", "1e400");
  text_card("I", "2.5");
  text_card("J", "+-3");
  CHECK(header.real("A").value() == 300.0);
  CHECK(header.real("B").value() == 150.0);
  CHECK(header.integer("C").value() == 7);
  for (const char* keyword : {"D", "E", "F", "G", "H", "J", "ABSENT"}) {
    INFO(keyword);
    CHECK_FALSE(header.real(keyword));
  }
  CHECK_FALSE(header.integer("I"));
  CHECK_FALSE(header.text("G"));
  CHECK_FALSE(header.logical("A"));
  // The first card with a value wins; commentary never counts as a value.
  header.add({"TWICE", "", "", Card::Type::undefined});
  header.add({"TWICE", "4", "", Card::Type::integer});
  header.add({"TWICE", "5", "", Card::Type::integer});
  CHECK(header.integer("TWICE").value() == 4);
  header.add({"COMMENT", "words", "", Card::Type::commentary});
  CHECK(header.find("COMMENT") == nullptr);
  CHECK(header.find("G") != nullptr);
}

TEST_CASE("images keep the shape rules", "[image]") {
  Image image({13, 7}, 3);
  CHECK(image.planes() == 3);
  CHECK(image.width() == 13);
  for (int p = 0; p < 3; ++p) {
    for (int y = 0; y < 7; ++y) {
      const auto row = image.plane(p).row(y);
      CHECK(row.size() == 13);
      CHECK(reinterpret_cast<std::uintptr_t>(row.data()) % 64 == 0);
      for (const float value : row) CHECK(value == 0.0F);
    }
  }
  image.plane(1)(12, 6) = 5.0F;
  const Image copy = image.clone();
  image.plane(1)(12, 6) = 6.0F;
  CHECK(copy.plane(1)(12, 6) == 5.0F);
  CHECK(copy.plane(0)(12, 6) == 0.0F);
  CHECK_THROWS_AS(Image({4, 4}, 2), Error);
  CHECK_THROWS_AS(Image({4, 4}, 0), Error);
  CHECK_THROWS_AS(Image({-1, 4}, 1), Error);
  CHECK_THROWS_AS(Grid<double>(2147483647, 2147483647), std::exception);
  CHECK(Image({0, 0}, 1).plane(0).empty());
  CHECK(Image().empty());
  Mask mask(5, 4, mask_bit::trail);
  CHECK(mask(4, 3) == 8);
  const auto part = mask.view().crop({1, 1, 4, 3});
  CHECK(part.width() == 3);
  CHECK(part.height() == 2);
  part(0, 0) = 1;
  CHECK(mask(1, 1) == 1);
  const Rect a{0, 0, 10, 10};
  CHECK(a.intersect({5, -3, 20, 4}) == Rect{5, 0, 10, 4});
  CHECK(a.intersect({20, 0, 30, 5}).empty());
  CHECK(a.intersect({20, 0, 30, 5}).count() == 0);
  CHECK(a.expand(2) == Rect{-2, -2, 12, 12});
  CHECK(a.contains(Rect{0, 0, 10, 10}));
  CHECK_FALSE(a.contains(10, 0));
}

TEST_CASE("colour filter patterns follow shifts", "[cfa]") {
  const CfaPattern patterns[] = {CfaPattern::rggb, CfaPattern::bggr, CfaPattern::grbg,
                                 CfaPattern::gbrg};
  for (const auto pattern : patterns) {
    CHECK(cfa_from_string(to_string(pattern)) == pattern);
    int count[3] = {0, 0, 0};
    for (int y = 0; y < 2; ++y) {
      for (int x = 0; x < 2; ++x) {
        const char letter = to_string(pattern)[static_cast<std::size_t>(2 * y + x)];
        CHECK(cfa_colour(pattern, x, y) == (letter == 'R' ? 0 : letter == 'G' ? 1 : 2));
        ++count[cfa_colour(pattern, x, y)];
      }
    }
    CHECK((count[0] == 1 && count[1] == 2 && count[2] == 1));
    for (int dy = -2; dy <= 2; ++dy) {
      for (int dx = -2; dx <= 2; ++dx) {
        const auto shifted = cfa_shifted(pattern, dx, dy);
        for (int y = 0; y < 4; ++y) {
          for (int x = 0; x < 4; ++x) {
            CHECK(cfa_colour(shifted, x, y) == cfa_colour(pattern, x + dx, y + dy));
          }
        }
      }
    }
  }
  CHECK(cfa_shifted(CfaPattern::none, 1, 1) == CfaPattern::none);
  CHECK(cfa_from_string("bggr") == CfaPattern::bggr);
  CHECK(cfa_from_string("RGGBX") == CfaPattern::none);
  CHECK(cfa_from_string("") == CfaPattern::none);
}

namespace {

Transform cubic() {
  Transform t;
  t.model = TransformModel::polynomial;
  t.polynomial = Polynomial2{3,
                             {700.0, 500.0},
                             700.0,
                             {710.0, 690.0, -30.0, 1.2, -0.7, 0.4, 0.9, -0.3, 0.5, 0.2},
                             {480.0, 31.0, 692.0, -0.8, 0.6, 1.1, 0.1, 0.7, -0.4, 0.3}};
  // The affine part about the centre.
  const double a = 690.0 / 700, b = -30.0 / 700, c = 31.0 / 700, d = 692.0 / 700;
  t.matrix = {a, b, 710.0 - a * 700 - b * 500, c, d, 480.0 - c * 700 - d * 500, 0, 0, 1};
  return t;
}

Transform homography() {
  Transform t;
  t.model = TransformModel::homography;
  t.matrix = {1.01, 0.02, 5.0, -0.015, 0.99, -3.0, 2e-6, -3e-6, 1.0};
  return t;
}

}  // namespace

TEST_CASE("applying a similarity", "[transform]") {
  // Scale 1.0007, rotation +1.2345 degrees, shift (12.34, -5.67); recomputed.
  const double s = 1.0007;
  const double angle = 1.2345 * std::numbers::pi / 180.0;
  const auto t = Transform::affine(s * std::cos(angle), -s * std::sin(angle), 12.34,
                                   s * std::sin(angle), s * std::cos(angle), -5.67);
  const double table[][4] = {{0, 0, 12.34, -5.67},
                             {100, 50, 111.30879776754904, 46.50933684367773},
                             {2047, 1023, 2038.242070053568, 1061.9407913253256}};
  for (const auto& row : table) {
    const Point q = t.apply({row[0], row[1]});
    CHECK(std::fabs(q.x - row[2]) < 1e-9);
    CHECK(std::fabs(q.y - row[3]) < 1e-9);
  }
  const Point same = Transform{}.apply({3.25, -7.5});
  CHECK((same.x == 3.25 && same.y == -7.5));
}

TEST_CASE("transforms can be undone", "[transform]") {
  const auto affine = Transform::affine(-0.99, 0.1, 1500, -0.12, -1.01, 990);
  for (const auto& t : {affine, homography(), cubic()}) {
    INFO(to_string(t.model));
    for (const Point p : {Point{0, 0}, Point{1499, 10}, Point{700.25, 512.5}, Point{-20, 999}}) {
      const Point back = t.unapply(t.apply(p));
      CHECK(std::hypot(back.x - p.x, back.y - p.y) < 1e-8);
      const auto inverse = t.inverse();
      CHECK(inverse.has_value() == !t.polynomial.has_value());
      if (inverse) {
        const Point q = inverse->apply(t.apply(p));
        CHECK(std::hypot(q.x - p.x, q.y - p.y) < 1e-9);
        CHECK(inverse->model == t.model);
      }
    }
  }
  CHECK_FALSE(Transform::affine(1, 2, 0, 2, 4, 0).inverse());
}

TEST_CASE("the Jacobian agrees with finite differences", "[transform]") {
  // Central differences: error h^2/6 f''' + 1e-13/h, below 1e-8 at h = 0.01.
  constexpr double h = 0.01;
  for (const auto& t : {Transform::affine(1, 0.2, 3, -0.1, 0.9, 4), homography(), cubic()}) {
    INFO(to_string(t.model));
    for (const Point p : {Point{10, 20}, Point{1400, 900}}) {
      const auto j = t.jacobian(p);
      const Point xp = t.apply({p.x + h, p.y}), xm = t.apply({p.x - h, p.y});
      const Point yp = t.apply({p.x, p.y + h}), ym = t.apply({p.x, p.y - h});
      CHECK(std::fabs(j[0] - (xp.x - xm.x) / (2 * h)) < 1e-8);
      CHECK(std::fabs(j[1] - (yp.x - ym.x) / (2 * h)) < 1e-8);
      CHECK(std::fabs(j[2] - (xp.y - xm.y) / (2 * h)) < 1e-8);
      CHECK(std::fabs(j[3] - (yp.y - ym.y) / (2 * h)) < 1e-8);
    }
  }
}

TEST_CASE("polynomial terms are ordered by degree and falling power of u", "[transform]") {
  Polynomial2 p{2, {10, 20}, 5.0, {1, 2, 3, 4, 5, 6}, {6, 5, 4, 3, 2, 1}};
  const double u = (17.0 - 10.0) / 5.0;
  const double v = (12.0 - 20.0) / 5.0;
  const Point q = p.evaluate({17, 12});
  CHECK(std::fabs(q.x - (1 + 2 * u + 3 * v + 4 * u * u + 5 * u * v + 6 * v * v)) < 1e-12);
  CHECK(std::fabs(q.y - (6 + 5 * u + 4 * v + 3 * u * u + 2 * u * v + 1 * v * v)) < 1e-12);
  CHECK(Polynomial2::terms(3) == 10);
}

TEST_CASE("pixel scale", "[units]") {
  // OPT-1 of the reference values, recomputed.
  CHECK(std::fabs(pixel_scale_arcsec(3.76, 530.0) - 1.4633125877) < 1e-9);
  CHECK(std::fabs(pixel_scale_arcsec(9.0, 2000.0) - 0.9281916281) < 1e-9);
  CHECK(to_string(PixelUnit::electron) == "electron");
}
