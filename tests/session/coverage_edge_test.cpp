// No step where the number of subs changes: dithered and turned subs under skies of their own.
#include <cmath>
#include <memory>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "session/decide.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

constexpr Size frame{1200, 900};
constexpr double noise = 22.0;  // of a pixel
constexpr int cell = 64;

/// A sky of the sub's own: level, gradient, and a moon that rises during the night.
struct Sky {
  double level = 0.0, along = 0.0, up = 0.0, moon = 0.0;
  [[nodiscard]] double at(double x, double y) const {
    const double u = x / frame.width - 0.5, v = y / frame.height - 0.5;
    return level * (1.0 + along * u + up * v) + moon * (u + 0.7) * (u + 0.7) * (1.0 + 0.4 * v);
  }
};

double halo(Point sky_place) {
  return 300.0 * std::exp(-std::hypot(sky_place.x - 650.0, sky_place.y - 420.0) / 110.0);
}

struct Night {
  GroupState group;
  std::vector<Sky> skies;
  std::vector<double> transparency;
  FrameInfo info;

  Night(std::size_t count, double dither, double turn_deg, unsigned seed) {
    RandomStream random(seed, 71, 0);
    info.exposure_s = 120.0;
    for (std::size_t i = 0; i < count; ++i) {
      const auto phase = static_cast<double>(i) / static_cast<double>(count);
      skies.push_back({450.0 * (1.0 + 0.2 * phase), 0.25 * std::cos(0.4 * static_cast<double>(i)),
                       0.2 * std::sin(0.4 * static_cast<double>(i)), 160.0 * phase * phase});
      transparency.push_back(1.0 - 0.1 * random.uniform());
      group.subs.push_back(sub(i, dither, turn_deg, random));
    }
    group.photometric_reference = 0;
  }

  SubState sub(std::size_t i, double dither, double turn_deg, RandomStream& random) {
    SubState s;
    s.name = "sub" + std::to_string(i);
    s.info = &info;
    s.usable = s.kept = true;
    const double angle = (i == 0 ? 0.0 : turn_deg * (2.0 * random.uniform() - 1.0)) * 0.0174533;
    const double dx = i == 0 ? 0.0 : dither * (2.0 * random.uniform() - 1.0);
    const double dy = i == 0 ? 0.0 : dither * (2.0 * random.uniform() - 1.0);
    const double c = std::cos(angle), n = std::sin(angle);
    s.to_canvas = Transform::affine(c, -n, 600.0 + dx - 600.0 * c + 450.0 * n, n, c,
                                    450.0 + dy - 600.0 * n - 450.0 * c);
    s.match.transform = s.to_canvas;
    s.scale.usable = true;
    s.scale.scale = transparency[0] / transparency[i];
    s.measured.frame = frame;
    s.measured.quality.fwhm_px = 3.0;
    stars::SkyMesh mesh;
    mesh.cell_px = cell;
    mesh.frame = frame;
    const int columns = (frame.width + cell - 1) / cell, rows = (frame.height + cell - 1) / cell;
    mesh.level = Grid<float>(columns, rows);
    mesh.noise = Grid<float>(columns, rows, static_cast<float>(noise));
    for (int j = 0; j < rows; ++j) {
      for (int k = 0; k < columns; ++k) {
        const Point here{(k + 0.5) * cell - 0.5, (j + 0.5) * cell - 0.5};
        // The error of a cell's median: 1.25 sigma / 64.
        const double error = 1.25 * noise / cell * random.normal();
        mesh.level(k, j) = static_cast<float>(
            skies[i].at(here.x, here.y) + transparency[i] * halo(s.to_canvas.apply(here)) + error);
      }
    }
    s.measured.sky.push_back({std::move(mesh), 1, 0, 0});
    return s;
  }

  /// Sky of sub i on the output scale without the object; NaN where it does not look.
  [[nodiscard]] double sky_at(std::size_t i, Point place) const {
    const auto& s = group.subs[i];
    const Point here = s.to_canvas.unapply(place);
    if (here.x < 0 || here.y < 0 || here.x > frame.width - 1 || here.y > frame.height - 1)
      return std::nan("");
    const double added = s.surfaces.empty() ? 0.0 : s.surfaces[0].at(place.x, place.y);
    return s.scale.scale * skies[i].at(here.x, here.y) + added;
  }

  /// Largest step of the mean, in its own noise, when one sub ends: everywhere along the subs'
  /// edges.
  [[nodiscard]] double largest_step() const {
    double worst = 0.0;
    for (std::size_t i = 0; i < group.subs.size(); ++i) {
      for (int k = 0; k < 400; ++k) {
        const double t = (k % 100) / 99.0;
        const double x = k < 200 ? t * (frame.width - 1) : (k < 300 ? 0.5 : frame.width - 1.5);
        const double y = k < 100 ? 0.5 : (k < 200 ? frame.height - 1.5 : t * (frame.height - 1));
        worst = std::max(worst, step_at(i, group.subs[i].to_canvas.apply({x, y})));
      }
    }
    return worst;
  }

  [[nodiscard]] double step_at(std::size_t i, Point place) const {
    if (place.x < 0 || place.y < 0 || place.x > frame.width - 1 || place.y > frame.height - 1)
      return 0.0;
    double others = 0.0, weight = 0.0, variance = 0.0;
    for (std::size_t k = 0; k < group.subs.size(); ++k) {
      const double value = sky_at(k, place);
      if (!std::isfinite(value)) continue;
      const double w = group.subs[k].weights[0];
      if (k != i) others += w * value;
      if (k != i) weight += w;
      variance += w * w * noise * noise * group.subs[k].scale.scale * group.subs[k].scale.scale;
    }
    if (!(weight > 0.0)) return 0.0;
    const double own = group.subs[i].weights[0];
    const double step = own / (own + weight) * (sky_at(i, place) - others / weight);
    return std::fabs(step) / (std::sqrt(variance) / (own + weight));
  }
};

RunOptions matching(stack::SkyMatching how) {
  RunOptions options;
  options.sky_matching = how;
  return options;
}

}  // namespace

TEST_CASE("No step above a tenth of the noise where coverage changes", "[session]") {
  struct Case {
    std::size_t subs;
    double dither, turn_deg;
  };
  for (const Case& c :
       {Case{8, 40.0, 1.0}, Case{16, 60.0, 8.0}, Case{60, 30.0, 4.0}, Case{3, 80.0, 2.0}}) {
    Night night(c.subs, c.dither, c.turn_deg, 5);
    normalise_group(night.group, frame, matching(stack::SkyMatching::level));
    const double by_level = night.largest_step();
    normalise_group(night.group, frame, matching(stack::SkyMatching::surface));
    const double by_surface = night.largest_step();
    INFO(c.subs << " subs: step by level " << by_level << ", by surface " << by_surface
                << " sigma");
    CHECK(by_level > 0.1);  // the test can fail
    CHECK(by_surface < 0.1);
  }
}

TEST_CASE("The surfaces leave the halo to the result", "[session]") {
  Night night(16, 60.0, 4.0, 6);
  normalise_group(night.group, frame, matching(stack::SkyMatching::surface));
  // The combined sky (object taken off) must be as smooth as its parts: what a surface took of the
  // halo would show as a dip of its size. Second differences over the halo's scale, in parts of its
  // peak.
  const auto combined = [&](Point place) {
    double sum = 0.0, weight = 0.0;
    for (std::size_t i = 0; i < night.group.subs.size(); ++i) {
      sum += night.group.subs[i].weights[0] * night.sky_at(i, place);
      weight += night.group.subs[i].weights[0];
    }
    return sum / weight;
  };
  // The skies' own curvature over 220 px, from the moon: 2 x 160 x (220/1200)^2 / 3 = 3.6 at most.
  const double dip =
      combined({650.0, 420.0}) - 0.5 * (combined({430.0, 420.0}) + combined({870.0, 420.0}));
  CHECK(std::fabs(dip) < 3.6 + 0.01 * 300.0);
}
