// Invented skies: known solutions with any rotation and parity are found again, wrong catalogues
// are not believed. Positions are judged against the solution that made them, over the frame.
#include "coldframe/sky/solve.hpp"

#include <algorithm>
#include <cmath>
#include <cstdlib>
#include <fstream>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/sky/sphere.hpp"
#include "coldframe/sky/wcs.hpp"

using namespace coldframe;
using namespace coldframe::sky;

namespace {

constexpr Size frame{3000, 2000};

struct Sky {
  TanSip truth;
  SkyPoint pointing;
  StarList stars;
  std::vector<CatalogueStar> catalogue;
};

struct SkyOptions {
  int catalogue = 300;      ///< entries per frame area, spurious ones included
  int stars = 300;          ///< detections, spurious ones included
  double spurious = 0.4;    ///< share of both without a partner
  double distortion = 0.0;  ///< at the corner, px
  double pointing_off_deg = 0.3;
  double region_deg = 1.3;  ///< radius of the catalogue
  bool magnitudes = true;
  double error_factor = 1.0;  ///< on the errors of detections
};

TanSip draw_truth(RandomStream& r, double distortion) {
  TanSip t;
  t.centre = {0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
  t.tangent = {360.0 * r.uniform(), std::asin(2.0 * r.uniform() - 1.0) * 57.29577951308232};
  const double angle = 6.283185307179586 * r.uniform();
  const double parity = r.uniform() < 0.5 ? 1.0 : -1.0;
  const double scale = 1.5 / 3600.0 * (1.0 + 0.05 * (2.0 * r.uniform() - 1.0));
  const double c = scale * std::cos(angle), s = scale * std::sin(angle);
  t.cd = {parity * c, -parity * s, s, c};
  if (distortion > 0.0) {
    Polynomial2 p;
    p.order = 3;
    p.centre = t.centre;
    p.scale = 1500.0;
    p.x.assign(10, 0.0);
    p.y.assign(10, 0.0);
    const double k = distortion / std::pow(1.0 + 4.0 / 9.0, 1.5);
    p.x[6] = p.x[8] = p.y[7] = p.y[9] = k;  // radial: r^2 (u, v)
    p.x[3] = 0.1 * distortion * r.normal();
    p.y[4] = 0.1 * distortion * r.normal();
    t.distortion = p;
  }
  return t;
}

// Counts that grow by a factor of 2 per magnitude over nine magnitudes, from 8.
double draw_magnitude(RandomStream& r) {
  return 8.0 + std::log10(1.0 + r.uniform() * (std::pow(10.0, 2.7) - 1.0)) / 0.3;
}

Star detection(Point p, double magnitude, double factor, RandomStream& r) {
  // 0.01 px for the brightest, 0.056 px for the faintest, nine magnitudes below: stars of FWHM 3 px
  // and SNR 120 to 23. (With nine stars of 0.14 px the plate itself is known to 0.1 px only.)
  const double error = factor * 0.01 * std::pow(10.0, (magnitude - 8.0) / 12.0);
  Star star;
  star.x = p.x + error * r.normal();
  star.y = p.y + error * r.normal();
  star.x_error = star.y_error = error;
  star.flux = std::pow(10.0, -0.4 * (magnitude - 18.0 + 0.1 * r.normal()));
  star.snr = 1.2 / error;
  star.fitted = true;
  return star;
}

Point anywhere(RandomStream& r) {
  return {r.uniform() * frame.width - 0.5, r.uniform() * frame.height - 0.5};
}

Sky draw_sky(std::uint64_t seed, const SkyOptions& o) {
  RandomStream r(2031, 77, seed);
  Sky sky;
  sky.truth = draw_truth(r, o.distortion);
  sky.pointing = offset_by(sky.truth.tangent, 360.0 * r.uniform(),
                           o.pointing_off_deg * std::sqrt(r.uniform()));
  const int common_stars = static_cast<int>(std::lround(o.stars * (1.0 - o.spurious)));
  const int common_entries = static_cast<int>(std::lround(o.catalogue * (1.0 - o.spurious)));
  std::vector<std::pair<double, Point>> real;
  for (int i = 0; i < std::max(common_stars, common_entries); ++i) {
    const double magnitude = draw_magnitude(r);
    real.emplace_back(magnitude, anywhere(r));
  }
  std::sort(real.begin(), real.end(),
            [](const auto& a, const auto& b) { return a.first < b.first; });
  const auto list = [&](SkyPoint p, double m) {
    CatalogueStar entry;
    entry.position = p;
    if (o.magnitudes) entry.magnitude = m + 0.2 * r.normal();
    sky.catalogue.push_back(entry);
  };
  for (int i = 0; i < common_stars; ++i) {
    const auto& [m, p] = real[static_cast<std::size_t>(i)];
    sky.stars.push_back(detection(p, m, o.error_factor, r));
  }
  for (int i = 0; i < common_entries; ++i) {
    const auto& [m, p] = real[static_cast<std::size_t>(i)];
    list(sky.truth.to_sky(p), m);
  }
  // Spurious ones are as bright as the real ones.
  const auto another = [&](int count) {
    return real[static_cast<std::size_t>(r.uniform() * count)].first;
  };
  for (int i = common_stars; i < o.stars; ++i) {
    const double m = another(common_stars);
    sky.stars.push_back(detection(anywhere(r), m, o.error_factor, r));
  }
  for (int i = common_entries; i < o.catalogue; ++i) {
    const double m = another(common_entries);
    list(sky.truth.to_sky(anywhere(r)), m);
  }
  // The sky around, as dense.
  const double area = static_cast<double>(frame.count()) * std::pow(1.5 / 3600.0, 2);
  const auto around = std::lround(o.catalogue * 3.14159 * o.region_deg * o.region_deg / area);
  for (long i = 0; i < around; ++i) {
    const double angle = 360.0 * r.uniform();
    const auto p = offset_by(sky.pointing, angle, o.region_deg * std::sqrt(r.uniform()));
    const auto pixel = sky.truth.to_pixel(p);
    const double m = another(common_entries);
    const bool inside = pixel && pixel->x > -0.5 && pixel->y > -0.5 &&
                        pixel->x < frame.width - 0.5 && pixel->y < frame.height - 0.5;
    if (!inside) list(p, m);
  }
  return sky;
}

SolveOptions options_for(const Sky& sky, double radius = 0.4) {
  SolveOptions options;
  options.pointing = sky.pointing;
  options.search_radius_deg = radius;
  options.arcsec_per_px = 1.5;  // 5% off
  return options;
}

// Root mean square distance over the frame, px of the frame, through WCSLIB on the cards written.
double rms_over_frame(const TanSip& found, const TanSip& truth) {
  Header header;
  write_solution(header, found);
  const auto wcs = projection_from_header(header);
  REQUIRE(wcs);
  double squares = 0.0;
  int count = 0;
  for (int j = 0; j <= 8; ++j) {
    for (int i = 0; i <= 8; ++i) {
      const Point p{i * (frame.width - 1) / 8.0, j * (frame.height - 1) / 8.0};
      const auto back = wcs->to_pixel(truth.to_sky(p));
      REQUIRE(back);
      squares += (back->x - p.x) * (back->x - p.x) + (back->y - p.y) * (back->y - p.y);
      ++count;
    }
  }
  return std::sqrt(squares / count);
}

}  // namespace

TEST_CASE("solutions over all rotations and parities, 15 to 5000 catalogue stars, 40% spurious") {
  // Issue 8: 0.05 px. 0.1 arcsec at 1.5 arcsec/px would be 0.067 px.
  SkyOptions o;
  int seeds = 4;
  std::tie(o.catalogue, o.stars, o.distortion, seeds) = GENERATE(
      std::tuple(15, 25, 0.0, 8), std::tuple(15, 300, 0.0, 6), std::tuple(60, 100, 0.0, 6),
      std::tuple(300, 300, 3.0, 5), std::tuple(1500, 400, 5.0, 3), std::tuple(5000, 300, 3.0, 2));
  // Nine stars of error e place the frame to about e (three unknowns per axis, corners count): a
  // list of the 15 brightest stars has SNR 50 and more, 0.028 px at worst.
  if (o.catalogue == 15) o.error_factor = 0.5;
  for (int seed = 0; seed < seeds; ++seed) {
    CAPTURE(o.catalogue, o.stars, seed);
    const auto sky = draw_sky(static_cast<std::uint64_t>(100 * o.catalogue + seed), o);
    const auto found = solve_plate(sky.stars, frame, sky.catalogue, options_for(sky));
    REQUIRE(found.status == SolveStatus::solved);
    CHECK(rms_over_frame(found.wcs, sky.truth) <= 0.05);
    CHECK(found.wcs.mirrored() == sky.truth.mirrored());
    CHECK(found.false_probability < 1e-6);
  }
}

TEST_CASE("a pointing three degrees off is found in a large search") {
  SkyOptions o;
  o.catalogue = 60;
  o.stars = 80;
  o.spurious = 0.2;
  o.region_deg = 3.8;
  auto sky = draw_sky(4, o);
  auto options = options_for(sky, 3.2);
  options.pointing = offset_by(sky.truth.tangent, 140.0, 3.0);
  const auto found = solve_plate(sky.stars, frame, sky.catalogue, options);
  REQUIRE(found.status == SolveStatus::solved);
  CHECK(rms_over_frame(found.wcs, sky.truth) <= 0.05);
  CHECK(found.offset_deg == Approx(3.0).epsilon(0.01));
}

TEST_CASE("a wrong catalogue is not believed") {
  SkyOptions o;
  const int trials = 3;
  for (int seed = 0; seed < trials; ++seed) {
    const auto sky = draw_sky(static_cast<std::uint64_t>(1000 + seed), o);
    const auto other = draw_sky(static_cast<std::uint64_t>(5000 + seed), o);
    auto options = options_for(other);
    const auto found = solve_plate(sky.stars, frame, other.catalogue, options);
    CHECK(found.status == SolveStatus::no_match);
  }
}

TEST_CASE("1000 wrong catalogues: no solution", "[.soak]") {
  // Issue 8. Dense and sparse lists by turns.
  int wrong = 0;
  for (int seed = 0; seed < 1000; ++seed) {
    SkyOptions o;
    o.catalogue = seed % 3 == 0 ? 30 : seed % 3 == 1 ? 300 : 1500;
    o.stars = seed % 2 == 0 ? 60 : 300;
    const auto sky = draw_sky(static_cast<std::uint64_t>(20000 + seed), o);
    const auto other = draw_sky(static_cast<std::uint64_t>(50000 + seed), o);
    const auto found = solve_plate(sky.stars, frame, other.catalogue, options_for(other, 0.3));
    wrong += found.status == SolveStatus::solved ? 1 : 0;
  }
  CHECK(wrong == 0);
}

TEST_CASE("300 skies over the whole range: found, and to 0.05 px", "[.soak]") {
  int missed = 0, rough = 0, lost = 0;
  for (int seed = 0; seed < 300; ++seed) {
    RandomStream r(1, 5, static_cast<std::uint64_t>(seed));
    SkyOptions o;
    o.catalogue = static_cast<int>(15.0 * std::pow(5000.0 / 15.0, r.uniform()));
    o.stars = static_cast<int>(25.0 * std::pow(20.0, r.uniform()));
    if (o.catalogue < 40) o.error_factor = 0.5;  // see above
    o.distortion = o.catalogue > 200 && o.stars > 100 ? 4.0 * r.uniform() : 0.0;
    const auto sky = draw_sky(static_cast<std::uint64_t>(90000 + seed), o);
    const auto found = solve_plate(sky.stars, frame, sky.catalogue, options_for(sky));
    if (found.status != SolveStatus::solved) {
      ++missed;
      UNSCOPED_INFO("missed: catalogue " << o.catalogue << " stars " << o.stars);
      continue;
    }
    const double rms = rms_over_frame(found.wcs, sky.truth);
    lost += rms > 1.0 ? 1 : 0;
    rough += rms > 0.05 ? 1 : 0;
    if (rms > 0.05) UNSCOPED_INFO("rms " << rms << ": " << o.catalogue << " " << o.stars);
  }
  CHECK(lost == 0);
  CHECK(missed == 0);
  CHECK(rough == 0);
}

TEST_CASE("few stars, few catalogue stars: said, not tried") {
  SkyOptions o;
  auto sky = draw_sky(9, o);
  const StarList five(sky.stars.begin(), sky.stars.begin() + 5);
  CHECK(solve_plate(five, frame, sky.catalogue, options_for(sky)).status ==
        SolveStatus::too_few_stars);
  auto elsewhere = options_for(sky);
  elsewhere.pointing = offset_by(sky.pointing, 10.0, 60.0);
  CHECK(solve_plate(sky.stars, frame, sky.catalogue, elsewhere).status ==
        SolveStatus::too_few_catalogue_stars);
}

TEST_CASE("solutions are the same for any number of threads") {
  SkyOptions o;
  o.catalogue = 60;
  const auto sky = draw_sky(12, o);
  auto options = options_for(sky);
  options.threads = Threads{1};
  const auto one = solve_plate(sky.stars, frame, sky.catalogue, options);
  options.threads = Threads{3};
  const auto three = solve_plate(sky.stars, frame, sky.catalogue, options);
  REQUIRE(one.status == SolveStatus::solved);
  CHECK(one.wcs.cd == three.wcs.cd);
  CHECK(one.wcs.tangent.ra_deg == three.wcs.tangent.ra_deg);
  CHECK(one.rms_px == three.rms_px);
}

TEST_CASE("written cards agree with WCSLIB; samples for astropy") {
  RandomStream r(3, 3, 3);
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  std::ofstream out;
  if (folder != nullptr) out.open(std::string(folder) + "/tan_sip.csv");
  out.precision(17);
  out << "case,x,y,ra,dec,cards\n";
  for (int k = 0; k < 12; ++k) {
    const auto truth = draw_truth(r, k % 3 == 0 ? 0.0 : 4.0 * k);
    std::vector<PixelSky> points;
    for (int i = 0; i < 400; ++i) {
      const Point p = anywhere(r);
      points.push_back({p, truth.to_sky(p), 1.0});
    }
    const auto fit = fit_tan_sip(points, frame, k % 3 == 0 ? 1 : 3, truth.tangent);
    REQUIRE(fit);
    Header header;
    write_solution(header, *fit);
    const auto wcs = projection_from_header(header);
    REQUIRE(wcs);
    std::string cards;
    for (const auto& card : header.cards()) cards += card.keyword + "=" + card.value + ";";
    for (int i = 0; i < 25; ++i) {
      const Point p = anywhere(r);
      const auto own = fit->to_sky(p);
      const auto theirs = wcs->to_sky(p);
      REQUIRE(theirs);
      CHECK(separation_deg(own, *theirs) < 1e-11);
      CHECK(separation_deg(own, truth.to_sky(p)) < 1e-9);
      const auto back = wcs->to_pixel(own);
      REQUIRE(back);
      CHECK(std::hypot(back->x - p.x, back->y - p.y) < 1e-6);
      if (fit->inverse) {
        // AP and BP, for programs that do not iterate: a thousandth of a pixel.
        const Point w{p.x - fit->centre.x, p.y - fit->centre.y};
        const Point f = fit->distortion->evaluate(p);
        const Point correction = fit->inverse->evaluate({w.x + f.x, w.y + f.y});
        CHECK(std::hypot(f.x + correction.x, f.y + correction.y) < 1e-3);
      }
      out << k << ',' << p.x + 1.0 << ',' << p.y + 1.0 << ',' << own.ra_deg << ',' << own.dec_deg
          << ",\"" << cards << "\"\n";
    }
  }
}

TEST_CASE("an old solution is replaced whole, other cards stay") {
  Header header;
  header.set("OBJECT", "Wren Galaxy");
  for (const char* k : {"CTYPE1", "CTYPE2", "CUNIT1", "RADECSYS"}) header.set(k, "x");
  for (const char* k : {"CDELT1", "CROTA2", "PC1_2", "PV2_1", "LONPOLE", "A_3_0", "AP_1_1",
                        "B_ORDER", "CD1_1A", "CRVAL1A", "AMDX3"}) {
    header.set(k, 1.0);
  }
  header.set("PCOUNT", 0);
  header.set("A_NAME", "kept");
  TanSip plain;
  write_solution(header, plain);
  for (const char* gone : {"CDELT1", "CROTA2", "PC1_2", "PV2_1", "A_3_0", "AP_1_1", "B_ORDER",
                           "CD1_1A", "CRVAL1A", "RADECSYS", "AMDX3"}) {
    CAPTURE(gone);
    CHECK(header.find(gone) == nullptr);
  }
  CHECK(header.text("OBJECT") == "Wren Galaxy");
  CHECK(header.find("PCOUNT") != nullptr);
  CHECK(header.text("A_NAME") == "kept");
  CHECK(header.text("CTYPE1") == "RA---TAN");
}
