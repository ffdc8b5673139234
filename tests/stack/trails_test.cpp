// Trails in noise: found, measured, masked, and not seen where there are none.
#include "coldframe/stack/trails.hpp"

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <numbers>

#include "catch.hpp"
#include "coldframe/core/random.hpp"

using namespace coldframe;
using namespace coldframe::stack;

namespace {

constexpr Size frame{480, 320};

struct Picture {
  Grid<float> value{frame};
  Mask mask{frame, 0};

  explicit Picture(std::uint64_t seed) {
    RandomStream random(seed, 31, 0);
    for (int y = 0; y < frame.height; ++y) {
      for (float& v : value.row(y)) v = static_cast<float>(random.normal());
    }
    for (int star = 0; star < 150; ++star) {
      const int cx = static_cast<int>(random.uniform() * frame.width);
      const int cy = static_cast<int>(random.uniform() * frame.height);
      for (int y = std::max(cy - 2, 0); y < std::min(cy + 3, frame.height); ++y) {
        for (int x = std::max(cx - 2, 0); x < std::min(cx + 3, frame.width); ++x) mask(x, y) = 1;
      }
    }
  }
};

struct Segment {
  double x1, y1, x2, y2;
};

/// Adds a trail of Gaussian cross section and a matched signal-to-noise of `snr` over the good
/// pixels; returns its peak.
double add_trail(Picture& picture, const Segment& s, double sigma, double snr) {
  const double length = std::hypot(s.x2 - s.x1, s.y2 - s.y1);
  const double ux = (s.x2 - s.x1) / length;
  const double uy = (s.y2 - s.y1) / length;
  Grid<float> shape(frame);
  double power = 0.0;
  for (int y = 0; y < frame.height; ++y) {
    for (int x = 0; x < frame.width; ++x) {
      const double along = (x - s.x1) * ux + (y - s.y1) * uy;
      const double across = (y - s.y1) * ux - (x - s.x1) * uy;
      if (along < 0.0 || along > length || std::fabs(across) > 6.0 * sigma) continue;
      const double p = std::exp(-0.5 * across * across / (sigma * sigma));
      shape(x, y) = static_cast<float>(p);
      if (picture.mask(x, y) == 0) power += p * p;
    }
  }
  const double peak = snr / std::sqrt(power);
  for (int y = 0; y < frame.height; ++y) {
    for (int x = 0; x < frame.width; ++x) {
      picture.value(x, y) += static_cast<float>(peak) * shape(x, y);
    }
  }
  return peak;
}

/// A chord of the picture through a random point.
Segment random_chord(RandomStream& random) {
  for (;;) {
    const double angle = std::numbers::pi * random.uniform();
    const double c = std::cos(angle);
    const double s = std::sin(angle);
    const double x = frame.width * random.uniform();
    const double y = frame.height * random.uniform();
    double low = -1e4;
    double high = 1e4;
    const auto limit = [&](double p, double d, double most) {
      if (std::fabs(d) < 1e-9) return;
      low = std::max(low, std::min(-p / d, (most - p) / d));
      high = std::min(high, std::max(-p / d, (most - p) / d));
    };
    limit(x, c, frame.width - 1.0);
    limit(y, s, frame.height - 1.0);
    if (high - low >= 150.0) return {x + low * c, y + low * s, x + high * c, y + high * s};
  }
}

double off_line(const Trail& t, const Segment& s) {
  const double length = std::hypot(s.x2 - s.x1, s.y2 - s.y1);
  const double ux = (s.x2 - s.x1) / length;
  const double uy = (s.y2 - s.y1) / length;
  return std::max(std::fabs((t.y1 - s.y1) * ux - (t.x1 - s.x1) * uy),
                  std::fabs((t.y2 - s.y1) * ux - (t.x2 - s.x1) * uy));
}

double end_error(const Trail& t, const Segment& s) {
  const auto d = [](double a, double b, double c, double e) { return std::hypot(a - c, b - e); };
  return std::min(std::max(d(t.x1, t.y1, s.x1, s.y1), d(t.x2, t.y2, s.x2, s.y2)),
                  std::max(d(t.x1, t.y1, s.x2, s.y2), d(t.x2, t.y2, s.x1, s.y1)));
}

std::vector<Trail> search(const Picture& p, const TrailOptions& options = {}) {
  return find_trails(p.value.view(), p.mask.view(), options);
}

}  // namespace

TEST_CASE("Pure noise holds no trail", "[stack]") {
  // Fewer than 1 in 200 was measured; one in these 25 has a chance of less than 12%, and
  // the seeds are fixed.
  std::size_t found = 0;
  for (std::uint64_t k = 0; k < 25; ++k) found += search(Picture(k)).size();
  CHECK(found == 0);
}

TEST_CASE("Trails of signal-to-noise 10 are found at any angle", "[stack]") {
  RandomStream random(61, 2, 0);
  int missed = 0;
  for (std::uint64_t k = 0; k < 40; ++k) {
    Picture p(1000 + k);
    const Segment s = random_chord(random);
    add_trail(p, s, 0.4 + 1.4 * random.uniform(), 10.0);
    const auto trails = search(p);
    const bool hit = std::any_of(trails.begin(), trails.end(),
                                 [&](const Trail& t) { return off_line(t, s) < 4.0; });
    missed += hit ? 0 : 1;
  }
  CHECK(missed == 0);
}

TEST_CASE("Most trails between 7 and 10 are found", "[stack]") {
  RandomStream random(62, 2, 0);
  int hits = 0;
  constexpr int tries = 40;
  for (std::uint64_t k = 0; k < tries; ++k) {
    Picture p(2000 + k);
    const Segment s = random_chord(random);
    add_trail(p, s, 0.4 + 1.4 * random.uniform(), 7.0 + 3.0 * static_cast<double>(k) / tries);
    const auto trails = search(p);
    hits += std::any_of(trails.begin(), trails.end(),
                        [&](const Trail& t) { return off_line(t, s) < 5.0; });
  }
  CHECK(hits >= 36);
}

TEST_CASE("A trail is measured: significance, ends, width", "[stack]") {
  for (const double snr : {40.0, 200.0}) {
    Picture p(77);
    const Segment s{60.3, 250.8, 391.0, 71.5};
    const double sigma = 1.5;
    const double peak = add_trail(p, s, sigma, snr);
    // A sqrt(sqrt(pi) sigma L) / noise (Nir, Zackay & Ofek 2018) less the masked stars' share.
    const double length = std::hypot(s.x2 - s.x1, s.y2 - s.y1);
    const double whole_line = peak * std::sqrt(std::sqrt(std::numbers::pi) * sigma * length);
    CHECK(whole_line > snr);
    CHECK(whole_line < 1.1 * snr);
    const auto trails = search(p);
    REQUIRE(trails.size() == 1);
    CHECK(off_line(trails[0], s) < 1.0);
    CHECK(end_error(trails[0], s) < 5.0);
    CHECK(trails[0].significance == Approx(snr).epsilon(0.15));
    CHECK(trails[0].brightness == Approx(peak).epsilon(0.2));
    CHECK(trails[0].width_px >= 2.0 * 2.5 * sigma);
    CHECK(trails[0].width_px <= 2.0 * 6.0 * sigma);
  }
}

TEST_CASE("Several trails are found one by one", "[stack]") {
  Picture p(78);
  const std::vector<Segment> lines{{0, 40, 479, 60}, {100, 0, 180, 319}, {300, 319, 479, 100}};
  add_trail(p, lines[0], 1.0, 30.0);
  add_trail(p, lines[1], 0.7, 15.0);
  add_trail(p, lines[2], 1.4, 300.0);
  const auto trails = search(p);
  CHECK(trails.size() == 3);
  for (const Segment& s : lines) {
    CHECK(std::any_of(trails.begin(), trails.end(),
                      [&](const Trail& t) { return off_line(t, s) < 2.0; }));
  }
  TrailOptions one;
  one.max_trails = 1;
  CHECK(search(p, one).size() == 1);
}

TEST_CASE("Residues of stars and short things are no trails", "[stack]") {
  RandomStream random(63, 2, 0);
  for (std::uint64_t k = 0; k < 6; ++k) {
    Picture p(3000 + k);
    // Unmasked residues, bright and dark, far above the noise; and NaN in the picture.
    for (int r = 0; r < 14; ++r) {
      const int cx = 2 + static_cast<int>(random.uniform() * (frame.width - 4));
      const int cy = 2 + static_cast<int>(random.uniform() * (frame.height - 4));
      const float strength = r % 2 == 0 ? 400.0F : -300.0F;
      for (int y = -1; y <= 1; ++y) {
        for (int x = -1; x <= 1; ++x) p.value(cx + x, cy + y) += strength;
      }
      p.value(cx, cy) = std::nanf("");
    }
    add_trail(p, {200.0, 150.0, 235.0, 160.0}, 1.2, 25.0);  // 36 px: an edge-on galaxy's residue
    for (const Trail& t : search(p)) {
      INFO(t.x1 << ' ' << t.y1 << ' ' << t.x2 << ' ' << t.y2 << " width " << t.width_px << " at "
                << t.significance);
      CHECK(false);
    }
  }
}

TEST_CASE("Masking covers exactly what lies within half the width", "[stack]") {
  RandomStream random(64, 2, 0);
  for (int k = 0; k < 50; ++k) {
    const Rect tile{-20, 30, 60, 90};
    Trail t;
    t.x1 = -60 + 160 * random.uniform();
    t.y1 = 140 * random.uniform();
    t.x2 = k == 0 ? t.x1 : -60 + 160 * random.uniform();
    t.y2 = k % 7 == 0 ? t.y1 : 140 * random.uniform();
    t.width_px = 12 * random.uniform();
    Mask mask(tile.size(), mask_bit::defect);
    mask_trails(std::span(&t, 1), tile, mask.view());
    int wrong = 0;
    for (int y = tile.y0; y < tile.y1; ++y) {
      for (int x = tile.x0; x < tile.x1; ++x) {
        const double dx = t.x2 - t.x1;
        const double dy = t.y2 - t.y1;
        const double square = dx * dx + dy * dy;
        const double along =
            square > 0.0 ? std::clamp(((x - t.x1) * dx + (y - t.y1) * dy) / square, 0.0, 1.0) : 0.0;
        const double distance = std::hypot(x - t.x1 - along * dx, y - t.y1 - along * dy);
        const bool hit = (mask(x - tile.x0, y - tile.y0) & mask_bit::trail) != 0;
        if (std::fabs(distance - 0.5 * t.width_px) > 1e-6 && hit != (distance < 0.5 * t.width_px))
          ++wrong;
        if ((mask(x - tile.x0, y - tile.y0) & mask_bit::defect) == 0) ++wrong;
      }
    }
    CHECK(wrong == 0);
  }
}
