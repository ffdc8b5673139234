#include "solve_search.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/align/match.hpp"
#include "coldframe/sky/sphere.hpp"

namespace coldframe::sky {
namespace {

// Tiles lie this many field radii apart: the corners of a square of them are half a radius from
// its middle.
constexpr double tile_step = 0.7;
// Stars within this many field radii of a tile's middle are matched.
constexpr double tile_reach = 1.2;

// A catalogue star as the matcher wants it, on the tangent plane about `tile` at the
// expected scale, east to the left.
Star plane_star(const CatalogueStar& entry, Point standard, double deg_per_px) {
  Star star;
  star.x = -standard.x / deg_per_px;
  star.y = standard.y / deg_per_px;
  star.x_error = star.y_error = 0.1;
  star.flux = std::isnan(entry.magnitude) ? 0.0 : std::pow(10.0, -0.4 * (entry.magnitude - 10.0));
  star.snr = 100.0;
  star.fitted = true;
  return star;
}

}  // namespace

double field_radius_deg(Size frame, double arcsec_per_px) noexcept {
  return 0.5 * std::hypot(frame.width, frame.height) * arcsec_per_px / 3600.0;
}

std::vector<SkyPoint> search_tiles(const SolveOptions& options, double field_radius_deg) {
  const double step = tile_step * field_radius_deg;
  const int reach = static_cast<int>(std::ceil(options.search_radius_deg / step));
  struct Tile {
    double distance;
    int i, j;
  };
  std::vector<Tile> tiles;
  for (int j = -reach; j <= reach; ++j) {
    for (int i = -reach; i <= reach; ++i) {
      const double distance = step * std::hypot(i, j);
      // Half a step more, so that the circle's rim is covered.
      if (distance <= options.search_radius_deg + 0.5 * step) tiles.push_back({distance, i, j});
    }
  }
  std::stable_sort(tiles.begin(), tiles.end(),
                   [](const Tile& a, const Tile& b) { return a.distance < b.distance; });
  std::vector<SkyPoint> middles;
  for (const auto& tile : tiles) {
    const double angle = std::atan2(tile.i, tile.j) * 180.0 / 3.14159265358979323846;
    middles.push_back(offset_by(options.pointing, angle, tile.distance));
  }
  return middles;
}

std::optional<TanSip> match_tile(std::span<const Star> stars, Size frame,
                                 std::span<const CatalogueStar> catalogue, SkyPoint tile,
                                 std::size_t tiles, const SolveOptions& options) {
  const double deg_per_px = options.arcsec_per_px / 3600.0;
  const double radius = tile_reach * field_radius_deg(frame, options.arcsec_per_px);
  auto near = stars_near(catalogue, tile, radius);
  // As deep as the image and a little more: fainter ones only add chance.
  const std::size_t most = std::clamp<std::size_t>(2 * stars.size(), 200, 2000);
  if (near.size() > most) near.resize(most);
  StarList plane;
  std::vector<SkyPoint> positions;
  for (const auto& entry : near) {
    const auto standard = to_tangent_plane(entry.position, tile);
    if (!standard) continue;
    plane.push_back(plane_star(entry, *standard, deg_per_px));
    positions.push_back(entry.position);
  }
  align::MatchOptions match;
  match.tolerance_px = options.tolerance_px;
  match.min_scale = 1.0 / (1.0 + options.scale_tolerance);
  match.max_scale = 1.0 / (1.0 - options.scale_tolerance);
  match.max_false_probability = options.max_false_probability / static_cast<double>(tiles);
  const auto found = align::match_stars(plane, stars, match);
  if (found.status != align::MatchStatus::matched) return std::nullopt;
  std::vector<PixelSky> points;
  for (const auto& [entry, star] : found.pairs) {
    points.push_back({{stars[star].x, stars[star].y}, positions[entry], 1.0});
  }
  return fit_tan_sip(points, frame, 1, tile);
}

}  // namespace coldframe::sky
