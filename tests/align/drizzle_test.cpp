// Drizzle against an independent polygon clipper, published noise figures and simulated stars.
#include "coldframe/align/drizzle.hpp"

#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>
#include <span>
#include <vector>

#include "align/drop_overlap.hpp"
#include "align/near.hpp"
#include "catch.hpp"
#include "coldframe/align/resample.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::align;

namespace {

// Sutherland-Hodgman clipping to the unit square about (i, j), then the shoelace formula.
double clipped_area(std::vector<Point> polygon, int i, int j) {
  const auto cut = [&](double nx, double ny, double limit) {
    std::vector<Point> kept;
    for (std::size_t k = 0; k < polygon.size(); ++k) {
      const Point a = polygon[k], b = polygon[(k + 1) % polygon.size()];
      const double da = nx * a.x + ny * a.y - limit, db = nx * b.x + ny * b.y - limit;
      if (da <= 0.0) kept.push_back(a);
      if ((da < 0.0 && db > 0.0) || (da > 0.0 && db < 0.0)) {
        const double f = da / (da - db);
        kept.push_back({a.x + f * (b.x - a.x), a.y + f * (b.y - a.y)});
      }
    }
    polygon = std::move(kept);
  };
  cut(1, 0, i + 0.5);
  cut(-1, 0, 0.5 - i);
  cut(0, 1, j + 0.5);
  cut(0, -1, 0.5 - j);
  double area = 0.0;
  for (std::size_t k = 0; k < polygon.size(); ++k) {
    const Point a = polygon[k], b = polygon[(k + 1) % polygon.size()];
    area += 0.5 * (a.x * b.y - a.y * b.x);
  }
  return std::fabs(area);
}

std::vector<Point> corners_of(const DropShape& d) {
  std::vector<Point> corners;
  for (const auto& [u, v] : {std::pair{-0.5, -0.5}, {0.5, -0.5}, {0.5, 0.5}, {-0.5, 0.5}}) {
    corners.push_back({d.centre.x + u * d.side_x.x + v * d.side_y.x,
                       d.centre.y + u * d.side_x.y + v * d.side_y.y});
  }
  return corners;
}

struct Frame {
  Grid<float> values;
  Mask mask;
  Transform to_output;
};

struct Output {
  Grid<float> values, variance, weight;
  Mask mask;
  Grid<std::uint16_t> subs;
};

Output drizzle(std::span<const Frame> frames, const Rect& tile, const DrizzleOptions& options,
               CfaPattern pattern = CfaPattern::none, int plane = 0) {
  DrizzleTile open(tile, pattern == CfaPattern::none ? 1 : 3, options);
  for (const Frame& f : frames) {
    const Rect region = drizzle_region(f.to_output, tile, f.values.size());
    if (region.empty()) continue;
    DrizzleSamples s;
    s.values = f.values.cview().crop(region);
    s.mask = f.mask.cview().crop(region);
    s.variance_per_px = 1.0;
    s.region = region;
    s.sub_to_output = f.to_output;
    s.pattern = pattern;
    open.add(s);
  }
  Output out{Grid<float>(tile.size()), Grid<float>(tile.size()), Grid<float>(tile.size()),
             Mask(tile.size()), Grid<std::uint16_t>(tile.size())};
  open.finish(plane, {out.values.view(), out.variance.view(), out.weight.view(), out.mask.view(),
                      out.subs.view()});
  return out;
}

Transform turned(double degrees, double dx, double dy, double scale = 1.0) {
  const double r = degrees * std::numbers::pi / 180.0;
  const double c = scale * std::cos(r), s = scale * std::sin(r);
  return Transform::affine(c, -s, dx, s, c, dy);
}

// A star recorded by square pixels: Gaussian integrated over each pixel.
void add_star(Grid<float>& image, Point at, double flux, double sigma) {
  const auto share = [&](double centre, int i) {
    const double k = 1.0 / (sigma * std::numbers::sqrt2);
    return 0.5 * (std::erf((i + 0.5 - centre) * k) - std::erf((i - 0.5 - centre) * k));
  };
  for (int y = std::max(0, static_cast<int>(at.y) - 12);
       y < std::min(image.height(), static_cast<int>(at.y) + 13); ++y) {
    for (int x = std::max(0, static_cast<int>(at.x) - 12);
         x < std::min(image.width(), static_cast<int>(at.x) + 13); ++x) {
      image(x, y) += static_cast<float>(flux * share(at.x, x) * share(at.y, y));
    }
  }
}

double flux_within(PlaneView<const float> image, Point at, double radius) {
  double sum = 0.0;
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) {
      if (std::hypot(x - at.x, y - at.y) <= radius) sum += static_cast<double>(image(x, y));
    }
  }
  return sum;
}

// Full width at half of the central value, in pixels, of the profile through the samples around all
// stars, whose places are known: different phases of the grid together sample it finely. An even
// polynomial of degree 8 in the radius, over `radius`.
double half_width(PlaneView<const float> image, std::span<const Point> stars, double radius) {
  std::vector<double> design, value;
  for (const Point at : stars) {
    for (int y = 0; y < image.height(); ++y) {
      for (int x = 0; x < image.width(); ++x) {
        const double q = std::hypot(x - at.x, y - at.y) / radius;
        if (q > 1.0) continue;
        for (int k = 0; k < 5; ++k) design.push_back(std::pow(q, 2 * k));
        value.push_back(static_cast<double>(image(x, y)));
      }
    }
  }
  const auto c = linear_least_squares(design, 5, value).coefficients;
  REQUIRE(c.size() == 5);
  for (double q = 0.0; q < 1.0; q += 1e-3) {
    double profile = 0.0;
    for (int k = 0; k < 5; ++k) profile += c[static_cast<std::size_t>(k)] * std::pow(q, 2 * k);
    if (profile < 0.5 * c[0]) return 2.0 * q * radius;
  }
  return 2.0 * radius;
}

Frame noise_frame(Size size, const Transform& t, std::uint64_t seed) {
  Frame f{Grid<float>(size), Mask(size), t};
  RandomStream random(seed, 31, 0);
  for (int y = 0; y < size.height; ++y) {
    for (float& v : f.values.row(y)) v = static_cast<float>(random.normal());
  }
  return f;
}

}  // namespace

TEST_CASE("Overlap areas equal those of a polygon clipper", "[align][drizzle]") {
  RandomStream random(3, 30, 0);
  DropAreas areas;
  double worst = 0.0, worst_sum = 0.0;
  for (int trial = 0; trial < 2000; ++trial) {
    const auto vector = [&] {
      return Point{4.0 * random.uniform() - 2.0, 4.0 * random.uniform() - 2.0};
    };
    DropShape drop{
        {50.0 * random.uniform() - 25.0, 50.0 * random.uniform() - 25.0}, vector(), vector()};
    if (trial % 5 == 0) drop.side_x.y = drop.side_y.x = 0.0;  // along the grid
    if (trial % 7 == 0) drop.centre = {std::floor(drop.centre.x) + 0.5, std::floor(drop.centre.y)};
    REQUIRE(overlap_areas(drop, areas));
    double sum = 0.0;
    for (int y = areas.box.y0; y < areas.box.y1; ++y) {
      for (int x = areas.box.x0; x < areas.box.x1; ++x) {
        const auto index =
            static_cast<std::size_t>((y - areas.box.y0) * areas.box.width() + x - areas.box.x0);
        worst =
            std::max(worst, std::fabs(areas.area[index] - clipped_area(corners_of(drop), x, y)));
        sum += areas.area[index];
      }
    }
    const double whole_area =
        std::fabs(drop.side_x.x * drop.side_y.y - drop.side_x.y * drop.side_y.x);
    worst_sum = std::max(worst_sum, std::fabs(sum - whole_area));
  }
  // Coordinates up to 30 in doubles: some tens of roundings of 30 x 1.1e-16.
  CHECK(worst < 1e-12);
  CHECK(worst_sum < 1e-11);
  CHECK_FALSE(overlap_areas({{0, 0}, {NAN, 0}, {0, 1}}, areas));
  CHECK_FALSE(overlap_areas({{0, 0}, {1e9, 0}, {0, 1}}, areas));
}

TEST_CASE("Whole drops on their own grid change nothing", "[align][drizzle]") {
  const Frame frame = noise_frame({40, 30}, {}, 1);
  const auto out = drizzle(std::span(&frame, 1), {0, 0, 40, 30}, {.drop_size = 1.0});
  for (int y = 0; y < 30; ++y) {
    for (int x = 0; x < 40; ++x) {
      REQUIRE(out.values(x, y) == frame.values(x, y));
      REQUIRE(out.weight(x, y) == 1.0F);
      REQUIRE(out.variance(x, y) == 1.0F);
    }
  }
}

TEST_CASE("Drizzled pixels do not depend on the tiles", "[align][drizzle]") {
  std::vector<Frame> frames;
  for (std::uint64_t i = 0; i < 3; ++i) {
    frames.push_back(
        noise_frame({64, 48},
                    turned(7.0 * static_cast<double>(i), 3.3, 1.7 * static_cast<double>(i))
                        .then(canvas_grid(2.0)),
                    i));
    frames.back().mask(20, 20) = mask_bit::saturated;
    frames.back().mask(30, 10) = mask_bit::trail;
  }
  Transform bent;
  bent.model = TransformModel::polynomial;
  bent.polynomial = Polynomial2{3,
                                {32, 24},
                                32,
                                {64, 64, 0.5, 0.2, 0, 0.1, 0.4, 0, 0.4, 0},
                                {48, -0.5, 64, 0, 0.1, 0, 0, 0.4, 0, 0.4}};
  bent.matrix = {2, 0, 0, 0, 2, 0, 0, 0, 1};
  frames.push_back(noise_frame({64, 48}, bent, 9));
  const DrizzleOptions options{.drop_size = 0.7};
  const CfaPattern pattern = CfaPattern::grbg;
  const auto all = drizzle(frames, {-5, -3, 130, 100}, options, pattern, 1);
  int different = 0;
  for (const Rect tile : {Rect{-5, -3, 40, 33}, Rect{17, 20, 18, 100}, Rect{60, 41, 130, 90}}) {
    const auto part = drizzle(frames, tile, options, pattern, 1);
    for (int y = tile.y0; y < tile.y1; ++y) {
      for (int x = tile.x0; x < tile.x1; ++x) {
        const auto same = [&](const auto& a, const auto& b) {
          return a(x - tile.x0, y - tile.y0) == b(x + 5, y + 3);
        };
        different += same(part.values, all.values) && same(part.variance, all.variance) &&
                             same(part.weight, all.weight) && same(part.mask, all.mask) &&
                             same(part.subs, all.subs)
                         ? 0
                         : 1;
      }
    }
  }
  CHECK(different == 0);
}

namespace {

struct Sharpness {
  double drizzled = 0.0, lanczos = 0.0;  ///< half widths, input pixels
  double worst_flux = 0.0;               ///< share of a star's light lost or won
};

// 24 subs, dithered and turned, of 36 Gaussian stars recorded by square pixels.
Sharpness sharpness_of(double optics_fwhm, double drop) {
  constexpr double flux = 10000.0;
  const double sigma = optics_fwhm / 2.3548;
  constexpr int side = 90, subs = 24;
  RandomStream random(11, 32, 0);
  std::vector<Point> stars;
  for (int i = 0; i < 36; ++i) {
    stars.push_back(
        {18.0 + 11.0 * (i % 6) + random.uniform(), 18.0 + 11.0 * (i / 6) + random.uniform()});
  }
  std::vector<Frame> frames;
  Grid<float> plain(side, side), values(side, side);
  Mask mask(side, side);
  for (int i = 0; i < subs; ++i) {
    const auto t = turned(4.0 * random.uniform() - 2.0, 6.0 * random.uniform() - 3.0,
                          6.0 * random.uniform() - 3.0);
    Frame f{Grid<float>(side, side), Mask(side, side), t.then(canvas_grid(2.0))};
    for (const Point star : stars) add_star(f.values, t.unapply(star), flux, sigma);
    resample(f.values.cview(), f.mask.cview(), {0, 0, side, side}, {side, side}, t,
             {0, 0, side, side}, values.view(), mask.view(), {});
    for (int y = 0; y < side; ++y) {
      for (int x = 0; x < side; ++x) plain(x, y) += values(x, y) / static_cast<float>(subs);
    }
    frames.push_back(std::move(f));
  }
  Sharpness result;
  result.lanczos = half_width(plain.cview(), stars, 1.5 + 0.1 * optics_fwhm);
  const auto out = drizzle(frames, {0, 0, 2 * side, 2 * side}, {.drop_size = drop});
  std::vector<Point> there;
  for (const Point star : stars) {
    there.push_back(canvas_grid(2.0).apply(star));
    const double light = flux_within(out.values.cview(), there.back(), 10.0);
    result.worst_flux = std::max(result.worst_flux, std::fabs(light / flux - 1.0));
  }
  result.drizzled = 0.5 * half_width(out.values.cview(), there, 3.0 + 0.2 * optics_fwhm);
  return result;
}

}  // namespace

TEST_CASE("Drizzle keeps the light of stars and gains sharpness", "[align][drizzle]") {
  // Expected half widths: convolutions in one dimension on a grid of 1/400 px (numpy) of a Gaussian
  // with the pixel and the drop and the output pixel, or with Lanczos-3. As recorded these stars
  // have 1.00, 1.07, 1.12, 1.25, 1.49 px.
  struct Case {
    double optics, drizzled, lanczos;
  };
  for (const auto& [optics, drizzled, lanczos] :
       {Case{0.4, 0.795 * 1.308, 1.308}, Case{0.7, 0.832 * 1.383, 1.383},
        Case{0.8, 0.850 * 1.418, 1.418}, Case{1.0, 0.889 * 1.501, 1.501},
        Case{1.3, 0.941 * 1.660, 1.660}}) {
    const Sharpness found = sharpness_of(optics, 0.5);
    CAPTURE(optics, found.drizzled, found.lanczos);
    // Issue: 0.2 %. A point that falls into one pixel (0.4 px here) shows the uneven weights of 24
    // dithers: 0.3 %.
    CHECK(found.worst_flux < (optics > 0.5 ? 0.002 : 0.004));
    CHECK(found.drizzled == Near(drizzled).epsilon(0.03));
    CHECK(found.lanczos == Near(lanczos).epsilon(0.03));
    // Issue: 15 % sharper where stars are undersampled. It holds up to 1.1 px as recorded; beyond
    // 1.25 px no drop can do it: even vanishing ones on this grid are only 13.8 % sharper, since
    // the sum is never sharper than the recorded star (at 1.31 px 0.85 of Lanczos' by itself).
    if (optics <= 0.7) CHECK(found.drizzled < 0.85 * found.lanczos);
    CHECK(found.drizzled < found.lanczos);
  }
}

TEST_CASE("Noise ratio of drizzle", "[align][drizzle]") {
  // RES-3: Fruchter & Hook 2002, section 7.
  const double table[][3] = {{0.6, 0.5, 1.6615384615}, {1.0, 1.0, 1.5},
                             {1.0, 0.5, 2.4},          {0.8, 0.5, 2.0210526316},
                             {0.9, 0.5, 2.2090909091}, {0.7, 1.0, 1.3043478261},
                             {0.5, 1.0, 1.2},          {1.0, 2.0 / 3.0, 1.9285714286}};
  for (const auto& [p, s, ratio] : table)
    CHECK(drizzle_noise_ratio(p, s) == Near(ratio).margin(1e-9));
  CHECK(drizzle_noise_ratio(1e-9, 1.0) == Near(1.0).margin(1e-8));
}

TEST_CASE("Drizzled noise has the published correlation and the predicted variance",
          "[align][drizzle]") {
  // Dithers on a regular 8 x 8 lattice of phases: evenly spread, so that single pixels are alike.
  RandomStream random(12, 33, 0);
  std::vector<Frame> frames;
  for (int i = 0; i < 64; ++i) {
    const auto t = Transform::affine(1, 0, (i % 8) / 8.0 + 0.01, 0, 1, (i / 8) / 8.0 + 0.02);
    frames.push_back(
        noise_frame({60, 60}, t.then(canvas_grid(2.0)), 100 + static_cast<unsigned>(i)));
  }
  for (const double drop : {0.6, 1.0}) {
    const auto out = drizzle(frames, {8, 8, 104, 104}, {.drop_size = drop});
    double squares = 0.0, predicted = 0.0;
    for (int y = 0; y < 96; ++y) {
      for (int x = 0; x < 96; ++x) {
        squares += static_cast<double>(out.values(x, y)) * static_cast<double>(out.values(x, y));
        predicted += static_cast<double>(out.variance(x, y));
      }
    }
    // The predicted variance summed over 9216 correlated pixels: about 1.3% in variance.
    CHECK(squares == Near(predicted).epsilon(0.05));
    // On large scales the noise per output pixel is 1/sqrt(64) / 2 x 2 (an output pixel collects
    // a quarter of the area and a quarter of the light): value noise sigma/8 per input area.
    const double large = 1.0 / 8.0 / 2.0;
    const double single = std::sqrt(predicted / (96.0 * 96.0));
    CHECK(large / single == Near(drizzle_noise_ratio(drop, 0.5)).epsilon(0.02));
  }
}

TEST_CASE("Drizzle of a mosaic takes each colour's samples only", "[align][drizzle]") {
  std::vector<Frame> frames;
  RandomStream random(14, 34, 0);
  for (int i = 0; i < 30; ++i) {
    Frame f{
        Grid<float>(40, 40), Mask(40, 40),
        turned(0.3 * random.normal(), 4.0 * random.uniform() - 2.0, 4.0 * random.uniform() - 2.0)};
    for (int y = 0; y < 40; ++y) {
      for (int x = 0; x < 40; ++x) {
        f.values(x, y) = static_cast<float>(100 * (1 + cfa_colour(CfaPattern::bggr, x, y)));
      }
    }
    frames.push_back(std::move(f));
  }
  for (int plane = 0; plane < 3; ++plane) {
    const auto out = drizzle(frames, {8, 8, 32, 32}, {.drop_size = 1.0}, CfaPattern::bggr, plane);
    double weight = 0.0;
    for (int y = 0; y < 24; ++y) {
      for (int x = 0; x < 24; ++x) {
        REQUIRE(out.values(x, y) == Near(100.0 * (1 + plane)).epsilon(1e-6));
        weight += static_cast<double>(out.weight(x, y));
      }
    }
    const double share = plane == 1 ? 0.5 : 0.25;
    CHECK(weight / (24.0 * 24.0) == Near(30.0 * share).epsilon(0.03));
  }
}

TEST_CASE("Masked samples of a drizzle", "[align][drizzle]") {
  std::vector<Frame> frames;
  frames.push_back(noise_frame({20, 20}, {}, 1));
  frames.push_back(noise_frame({20, 20}, {}, 2));
  frames[0].mask(5, 5) = mask_bit::trail;
  frames[0].mask(6, 6) = mask_bit::defect;
  frames[1].mask(6, 6) = mask_bit::cosmic_ray;
  frames[0].mask(7, 7) = frames[1].mask(8, 8) = mask_bit::saturated;
  frames[0].values(9, 9) = NAN;
  frames[1].values(9, 9) = 5.0F;
  const auto out = drizzle(frames, {0, 0, 20, 20}, {.drop_size = 0.5});
  CHECK(out.values(5, 5) == frames[1].values(5, 5));  // the other sub alone
  CHECK(out.mask(5, 5) == 0);
  CHECK(out.subs(5, 5) == 1);
  CHECK(out.mask(6, 6) == (mask_bit::outside | mask_bit::defect | mask_bit::cosmic_ray));
  CHECK(out.weight(6, 6) == 0.0F);
  CHECK(out.mask(7, 7) == mask_bit::saturated);
  CHECK(out.subs(7, 7) == 2);
  CHECK(out.mask(8, 8) == mask_bit::saturated);
  CHECK(out.values(9, 9) == 5.0F);
  CHECK(out.mask(0, 0) == 0);
}

TEST_CASE("Drizzle refuses what it cannot do", "[align][drizzle]") {
  CHECK_THROWS_AS(DrizzleTile({0, 0, 4, 4}, 2, {}), Error);
  CHECK_THROWS_AS(DrizzleTile({0, 0, 4, 4}, 1, {.drop_size = 0.0}), Error);
  CHECK(DrizzleOptions{.drop_size = 1.5}.faults().size() == 1);
  DrizzleTile tile({0, 0, 4, 4}, 1, {});
  Grid<float> values(4, 4);
  Mask mask(3, 4);
  DrizzleSamples s;
  s.values = values.cview();
  s.mask = mask.cview();
  s.region = {0, 0, 4, 4};
  CHECK_THROWS_AS(tile.add(s), Error);
}

TEST_CASE("Grid of a finer canvas", "[align][drizzle]") {
  const auto grid = canvas_grid(2.0, {10, 20});
  // The outer corner of reference pixel (10, 20) is that of output pixel (0, 0).
  CHECK(grid.apply({9.5, 19.5}).x == Near(-0.5));
  CHECK(grid.apply({9.5, 19.5}).y == Near(-0.5));
  CHECK(grid.apply({10.0, 20.0}).x == Near(0.5));
}
