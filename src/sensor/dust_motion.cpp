#include "coldframe/sensor/dust_motion.hpp"

#include <algorithm>
#include <cmath>
#include <limits>
#include <span>
#include <utility>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

constexpr int cell = 16;         // of the smooth part, map pixels
constexpr int reach = 40;        // how far away the sky is compared, map pixels
constexpr int null_step = 4;     // between these comparisons
constexpr int nearest_null = 8;  // a shadow overlaps itself
constexpr double least_depth = 0.006;
constexpr std::size_t least_pixels = 6;
constexpr std::size_t most_spots = 60;
constexpr double least_left = 0.4;
constexpr double most_left = 1.5;  // a shadow cannot be missing more than once
constexpr double least_sigma = 5.0;
constexpr float nothing = std::numeric_limits<float>::quiet_NaN();

struct ShadowPixel {
  int x = 0, y = 0;
  float depth = 0.0F;  ///< negative
};
using Shadow = std::vector<ShadowPixel>;

float median_of(std::vector<float>& values) {
  return values.empty() ? nothing : median_in_place(std::span<float>(values));
}

Grid<float> cell_medians(PlaneView<const float> map) {
  Grid<float> cells((map.width() + cell - 1) / cell, (map.height() + cell - 1) / cell);
  std::vector<float> values;
  for (int j = 0; j < cells.height(); ++j) {
    for (int i = 0; i < cells.width(); ++i) {
      values.clear();
      for (int y = j * cell; y < std::min((j + 1) * cell, map.height()); ++y) {
        for (int x = i * cell; x < std::min((i + 1) * cell, map.width()); ++x) {
          if (std::isfinite(map(x, y))) values.push_back(map(x, y));
        }
      }
      cells(i, j) = median_of(values);
    }
  }
  return cells;
}

// Medians of 5 x 5 cells: wider than the shadows.
Grid<float> calm(const Grid<float>& cells) {
  Grid<float> out(cells.size());
  std::vector<float> values;
  for (int j = 0; j < cells.height(); ++j) {
    for (int i = 0; i < cells.width(); ++i) {
      values.clear();
      // The same reach on both sides: no bias on a slope, at the edges neither.
      const int rx = std::min({2, i, cells.width() - 1 - i});
      const int ry = std::min({2, j, cells.height() - 1 - j});
      for (int v = j - ry; v <= j + ry; ++v) {
        for (int u = i - rx; u <= i + rx; ++u) {
          if (std::isfinite(cells(u, v))) values.push_back(cells(u, v));
        }
      }
      out(i, j) = median_of(values);
    }
  }
  return out;
}

float between(const Grid<float>& cells, int x, int y) {
  const float u = std::clamp((static_cast<float>(x) + 0.5F) / cell - 0.5F, 0.0F,
                             static_cast<float>(cells.width() - 1));
  const float v = std::clamp((static_cast<float>(y) + 0.5F) / cell - 0.5F, 0.0F,
                             static_cast<float>(cells.height() - 1));
  const int i = static_cast<int>(u), j = static_cast<int>(v);
  const int i1 = std::min(i + 1, cells.width() - 1), j1 = std::min(j + 1, cells.height() - 1);
  const float fx = u - static_cast<float>(i), fy = v - static_cast<float>(j);
  return (1.0F - fy) * ((1.0F - fx) * cells(i, j) + fx * cells(i1, j)) +
         fy * ((1.0F - fx) * cells(i, j1) + fx * cells(i1, j1));
}

// Without the smooth part; `relative`: as a share of it.
Grid<float> details(PlaneView<const float> map, bool relative) {
  const auto smooth = calm(cell_medians(map));
  Grid<float> out(map.size());
  for (int y = 0; y < map.height(); ++y) {
    for (int x = 0; x < map.width(); ++x) {
      const float base = between(smooth, x, y);
      out(x, y) = relative ? map(x, y) / base - 1.0F : map(x, y) - base;
    }
  }
  return out;
}

double scatter(const Grid<float>& map) {
  std::vector<double> values;
  for (int y = 0; y < map.height(); y += 3) {
    for (int x = 0; x < map.width(); x += 3) {
      if (std::isfinite(map(x, y))) values.push_back(static_cast<double>(map(x, y)));
    }
  }
  return values.size() < 100 ? 0.0 : robust_sigma(values);
}

// Pixels connected to a dark one; `seen` is marked.
Shadow grow(const Grid<float>& flat, int x0, int y0, float limit, Grid<std::uint8_t>& seen) {
  Shadow shadow{{x0, y0, flat(x0, y0)}};
  seen(x0, y0) = 1;
  for (std::size_t k = 0; k < shadow.size(); ++k) {
    const int px = shadow[k].x, py = shadow[k].y;
    for (int y = std::max(py - 1, 0); y <= std::min(py + 1, flat.height() - 1); ++y) {
      for (int x = std::max(px - 1, 0); x <= std::min(px + 1, flat.width() - 1); ++x) {
        if (seen(x, y) != 0 || !(flat(x, y) < limit)) continue;
        seen(x, y) = 1;
        shadow.push_back({x, y, flat(x, y)});
      }
    }
  }
  return shadow;
}

double strength(const Shadow& shadow) {
  double sum = 0.0;
  for (const auto& p : shadow) sum += static_cast<double>(p.depth) * static_cast<double>(p.depth);
  return sum;
}

// Vignetting at the edge and bad columns are no dust.
bool like_dust(const Shadow& shadow, Size size) {
  if (shadow.size() < least_pixels) return false;
  int x0 = size.width, x1 = 0, y0 = size.height, y1 = 0;
  for (const auto& p : shadow) {
    x0 = std::min(x0, p.x), x1 = std::max(x1, p.x);
    y0 = std::min(y0, p.y), y1 = std::max(y1, p.y);
  }
  const int width = x1 - x0 + 1, height = y1 - y0 + 1;
  return x0 > 2 && y0 > 2 && x1 < size.width - 3 && y1 < size.height - 3 &&
         std::max(width, height) <= 3 * std::min(width, height) &&
         std::max(width, height) <= 2 * reach;
}

std::vector<Shadow> find_shadows(const Grid<float>& flat) {
  const auto limit = static_cast<float>(-std::max(least_depth, 5.0 * scatter(flat)));
  Grid<std::uint8_t> seen(flat.size());
  std::vector<Shadow> shadows;
  for (int y = 0; y < flat.height(); ++y) {
    for (int x = 0; x < flat.width(); ++x) {
      if (seen(x, y) != 0 || !(flat(x, y) < limit)) continue;
      auto shadow = grow(flat, x, y, limit, seen);
      if (like_dust(shadow, flat.size())) shadows.push_back(std::move(shadow));
    }
  }
  std::stable_sort(shadows.begin(), shadows.end(),
                   [](const Shadow& a, const Shadow& b) { return strength(a) > strength(b); });
  if (shadows.size() > most_spots) shadows.resize(most_spots);
  return shadows;
}

// Stars are brighter than any shadow's negative.
void drop_stars(Grid<float>& sky, double brightest) {
  const auto limit = static_cast<float>(brightest);
  std::vector<std::pair<int, int>> bright;
  for (int y = 0; y < sky.height(); ++y) {
    for (int x = 0; x < sky.width(); ++x) {
      if (std::abs(sky(x, y)) > limit) bright.emplace_back(x, y);
    }
  }
  for (const auto& [x, y] : bright) {
    for (int v = std::max(y - 2, 0); v <= std::min(y + 2, sky.height() - 1); ++v) {
      for (int u = std::max(x - 2, 0); u <= std::min(x + 2, sky.width() - 1); ++u) {
        sky(u, v) = nothing;
      }
    }
  }
}

// Share of the shadow in the sky at a distance from it; unset when too little of the sky is known.
std::optional<double> share_at(const Shadow& shadow, const Grid<float>& sky, int dx, int dy) {
  double product = 0.0, norm = 0.0;
  std::size_t known = 0;
  for (const auto& p : shadow) {
    const int x = p.x + dx, y = p.y + dy;
    if (x < 0 || y < 0 || x >= sky.width() || y >= sky.height()) continue;
    if (!std::isfinite(sky(x, y))) continue;
    const auto depth = static_cast<double>(p.depth);
    product += static_cast<double>(sky(x, y)) * depth;
    norm += depth * depth;
    ++known;
  }
  if (2 * known < shadow.size()) return std::nullopt;
  return product / norm;
}

struct Judged {
  double share = 0.0;
  double error = 0.0;
};

std::optional<Judged> judge(const Shadow& shadow, const Grid<float>& sky) {
  const auto here = share_at(shadow, sky, 0, 0);
  if (!here) return std::nullopt;
  std::vector<double> elsewhere;
  for (int dy = -reach; dy <= reach; dy += null_step) {
    for (int dx = -reach; dx <= reach; dx += null_step) {
      if (std::max(std::abs(dx), std::abs(dy)) < nearest_null) continue;
      if (const auto share = share_at(shadow, sky, dx, dy)) elsewhere.push_back(*share);
    }
  }
  if (elsewhere.size() < 50) return std::nullopt;
  return Judged{*here - median(elsewhere), robust_sigma(elsewhere)};
}

// The lights' own shadows: what is left of the sky times the flat.
std::optional<Point> find_again(const std::vector<const Shadow*>& moved, const Grid<float>& sky,
                                const Grid<float>& flat) {
  Grid<float> own(sky.size());
  for (int y = 0; y < own.height(); ++y) {
    for (int x = 0; x < own.width(); ++x) own(x, y) = sky(x, y) + flat(x, y);
  }
  std::vector<double> shares;
  double best = 0.0;
  Point where;
  for (int dy = -reach; dy <= reach; ++dy) {
    for (int dx = -reach; dx <= reach; ++dx) {
      std::vector<double> each;
      for (const auto* shadow : moved) {
        if (const auto share = share_at(*shadow, own, dx, dy)) each.push_back(*share);
      }
      if (2 * each.size() < moved.size() || each.empty()) continue;
      shares.push_back(median(each));
      if (shares.back() > best) best = shares.back(), where = {1.0 * dx, 1.0 * dy};
    }
  }
  if (shares.size() < 50 || best < 0.5 || best < 6.0 * robust_sigma(shares)) return std::nullopt;
  return where;
}

}  // namespace

bool DustMotion::significant() const noexcept { return moved >= 2 && 6 * moved >= spots; }

DustMotion compare_dust(PlaneView<const float> flat, PlaneView<const float> sky) {
  DustMotion out;
  const auto response = details(flat, true);
  const auto shadows = find_shadows(response);
  if (shadows.empty()) return out;
  std::vector<double> deepest;
  for (const auto& shadow : shadows) {
    float least = 0.0F;
    for (const auto& p : shadow) least = std::min(least, p.depth);
    deepest.push_back(-static_cast<double>(least));
  }
  auto rest = details(sky, false);
  drop_stars(
      rest, std::max(2.0 * *std::max_element(deepest.begin(), deepest.end()), 5.0 * scatter(rest)));
  std::vector<const Shadow*> moved;
  std::vector<double> depths, shares;
  for (std::size_t k = 0; k < shadows.size(); ++k) {
    const auto judged = judge(shadows[k], rest);
    // Shadows that the sky could not show are not counted.
    if (!judged || judged->error * least_sigma > 0.8) continue;
    ++out.spots;
    if (judged->share > -least_left || judged->share > -least_sigma * judged->error) continue;
    if (judged->share < -most_left) continue;  // something else
    moved.push_back(&shadows[k]);
    depths.push_back(deepest[k]);
    shares.push_back(-judged->share);
  }
  out.moved = static_cast<int>(moved.size());
  if (moved.empty()) return out;
  out.depth = median(depths);
  out.left = median(shares);
  out.by = find_again(moved, rest, response);
  return out;
}

}  // namespace coldframe::sensor
