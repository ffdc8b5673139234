#include "star_places.hpp"

#include <algorithm>
#include <cmath>

namespace coldframe::session {
namespace {

constexpr double same_place_px = 2.0;
constexpr double cell_px = 4.0;
constexpr std::uint32_t nobody = 0xffffffffU;

std::uint64_t cell_key(std::int64_t i, std::int64_t j) noexcept {
  return (static_cast<std::uint64_t>(i) << 32U) ^ (static_cast<std::uint64_t>(j) & 0xffffffffU);
}

std::int64_t cell_of(double value) noexcept {
  return static_cast<std::int64_t>(std::floor(value / cell_px));
}

}  // namespace

std::uint32_t StarPlaces::nearest(Point p) const {
  std::uint32_t best = nobody;
  double distance = same_place_px;
  const std::int64_t ci = cell_of(p.x), cj = cell_of(p.y);
  for (std::int64_t j = cj - 1; j <= cj + 1; ++j) {
    for (std::int64_t i = ci - 1; i <= ci + 1; ++i) {
      const auto [first, last] = cells_.equal_range(cell_key(i, j));
      for (auto it = first; it != last; ++it) {
        const Point q = places_[it->second];
        const double d = std::hypot(q.x - p.x, q.y - p.y);
        if (d < distance || (d == distance && it->second < best)) {
          distance = d;
          best = it->second;
        }
      }
    }
  }
  return best;
}

std::vector<StarPlaces::Found> StarPlaces::place(std::span<const Star> stars,
                                                 const Transform& to_reference,
                                                 std::vector<std::uint32_t>& chosen,
                                                 std::size_t most) {
  std::stable_sort(chosen.begin(), chosen.end(),
                   [&](auto a, auto b) { return stars[a].flux > stars[b].flux; });
  if (chosen.size() > most) chosen.resize(most);
  std::vector<Found> found;
  for (const std::uint32_t i : chosen) {
    const Point p = to_reference.apply({stars[i].x, stars[i].y});
    if (!std::isfinite(p.x) || !std::isfinite(p.y)) continue;
    std::uint32_t at = nearest(p);
    if (at == nobody) {
      at = static_cast<std::uint32_t>(places_.size());
      places_.push_back(p);
      taken_by_.push_back(nobody);
      cells_.emplace(cell_key(cell_of(p.x), cell_of(p.y)), at);
    } else if (taken_by_[at] == calls_) {
      continue;
    }
    taken_by_[at] = calls_;
    found.push_back({at, i});
  }
  ++calls_;
  return found;
}

}  // namespace coldframe::session
