#include "coldframe/session/canvas.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "coldframe/align/drizzle.hpp"
#include "coldframe/core/error.hpp"

namespace coldframe::session {
namespace {

constexpr int outline_steps = 16;  // points per side: distortion bends the outline
constexpr double snap = 1e-6;      // keeps rounding from adding a row of nothing
constexpr std::int64_t most_pixels = std::int64_t{1} << 31;

struct Extent {
  double x0 = std::numeric_limits<double>::max();
  double y0 = std::numeric_limits<double>::max();
  double x1 = std::numeric_limits<double>::lowest();
  double y1 = std::numeric_limits<double>::lowest();

  void add(Point p) noexcept {
    x0 = std::min(x0, p.x);
    y0 = std::min(y0, p.y);
    x1 = std::max(x1, p.x);
    y1 = std::max(y1, p.y);
  }
};

// The outline through the centres of the outermost pixels: beyond them nothing is sampled.
Extent extent_of(std::span<const Footprint> subs) {
  Extent extent;
  for (const auto& sub : subs) {
    const double w = sub.frame.width - 1;
    const double h = sub.frame.height - 1;
    for (int k = 0; k <= outline_steps; ++k) {
      const double t = static_cast<double>(k) / outline_steps;
      for (const Point p : {Point{t * w, 0}, Point{t * w, h}, Point{0, t * h}, Point{w, t * h}}) {
        extent.add(sub.to_reference.apply(p));
      }
    }
  }
  return extent;
}

Canvas canvas_of(const Extent& extent, double scale) {
  Canvas canvas;
  canvas.scale = scale;
  canvas.x0 = static_cast<int>(std::floor(extent.x0 + snap));
  canvas.y0 = static_cast<int>(std::floor(extent.y0 + snap));
  const double width = (std::ceil(extent.x1 - snap) - canvas.x0 + 1.0) * scale;
  const double height = (std::ceil(extent.y1 - snap) - canvas.y0 + 1.0) * scale;
  if (!(width * height < static_cast<double>(most_pixels))) {
    throw Error(ErrorKind::usage, "",
                fmt::format("the canvas would be {:.0f} x {:.0f} pixels", width, height),
                "give --canvas reference or a smaller --scale");
  }
  canvas.size = {std::max(static_cast<int>(std::floor(width + snap)), 1),
                 std::max(static_cast<int>(std::floor(height + snap)), 1)};
  return canvas;
}

bool covers(const Footprint& sub, Point reference) noexcept {
  const Point p = sub.to_reference.unapply(reference);
  return p.x >= 0.0 && p.y >= 0.0 && p.x <= sub.frame.width - 1 && p.y <= sub.frame.height - 1;
}

bool all_cover(std::span<const Footprint> subs, Point reference) noexcept {
  return std::all_of(subs.begin(), subs.end(),
                     [&](const Footprint& sub) { return covers(sub, reference); });
}

// Largest rectangle of marked cells: for each row the heights of the columns above it, and over
// them the classic search with a stack.
Rect largest_marked(const std::vector<char>& marked, int columns, int rows) {
  std::vector<int> height(static_cast<std::size_t>(columns) + 1, 0);
  Rect best;
  for (int j = 0; j < rows; ++j) {
    std::vector<int> open;
    for (int i = 0; i <= columns; ++i) {
      const auto c = static_cast<std::size_t>(i);
      if (i < columns) {
        const auto cell = static_cast<std::size_t>(j) * static_cast<std::size_t>(columns) + c;
        height[c] = marked[cell] != 0 ? height[c] + 1 : 0;
      }
      while (!open.empty() && height[static_cast<std::size_t>(open.back())] >= height[c]) {
        const int tall = height[static_cast<std::size_t>(open.back())];
        open.pop_back();
        const int left = open.empty() ? 0 : open.back() + 1;
        const Rect found{left, j + 1 - tall, i, j + 1};
        if (tall > 0 && found.count() > best.count()) best = found;
      }
      open.push_back(i);
    }
  }
  return best;
}

// Moves each side outwards while the whole side is still covered by all.
Rect grow(Rect r, std::span<const Footprint> subs, int reach) {
  const auto row_covered = [&](int y, int x0, int x1) {
    return all_cover(subs, {double(x0), double(y)}) && all_cover(subs, {double(x1), double(y)}) &&
           all_cover(subs, {(x0 + x1) / 2.0, double(y)});
  };
  const auto column_covered = [&](int x, int y0, int y1) {
    return all_cover(subs, {double(x), double(y0)}) && all_cover(subs, {double(x), double(y1)}) &&
           all_cover(subs, {double(x), (y0 + y1) / 2.0});
  };
  for (int k = 0; k < reach && column_covered(r.x0 - 1, r.y0, r.y1 - 1); ++k) --r.x0;
  for (int k = 0; k < reach && column_covered(r.x1, r.y0, r.y1 - 1); ++k) ++r.x1;
  for (int k = 0; k < reach && row_covered(r.y0 - 1, r.x0, r.x1 - 1); ++k) --r.y0;
  for (int k = 0; k < reach && row_covered(r.y1, r.x0, r.x1 - 1); ++k) ++r.y1;
  return r;
}

// Coarse cells first (a cell counts when its corners are covered by all), then pixel by pixel.
Rect common_rectangle(std::span<const Footprint> subs) {
  const Extent extent = extent_of(subs.first(1));
  const double side = std::max(extent.x1 - extent.x0, extent.y1 - extent.y0);
  const int cell = std::max(static_cast<int>(side / 256.0), 1);
  const int x0 = static_cast<int>(std::ceil(extent.x0 - snap));
  const int y0 = static_cast<int>(std::ceil(extent.y0 - snap));
  const int columns = static_cast<int>((extent.x1 + snap - x0) / cell);
  const int rows = static_cast<int>((extent.y1 + snap - y0) / cell);
  std::vector<char> marked;
  for (int j = 0; j < rows; ++j) {
    for (int i = 0; i < columns; ++i) {
      const double x = x0 + i * cell;
      const double y = y0 + j * cell;
      marked.push_back(all_cover(subs, {x, y}) && all_cover(subs, {x + cell, y}) &&
                       all_cover(subs, {x, y + cell}) && all_cover(subs, {x + cell, y + cell}));
    }
  }
  const Rect found = largest_marked(marked, columns, rows);
  if (found.empty()) return {};
  const Rect pixels{x0 + found.x0 * cell, y0 + found.y0 * cell, x0 + found.x1 * cell + 1,
                    y0 + found.y1 * cell + 1};
  return grow(pixels, subs, cell);
}

}  // namespace

Canvas choose_canvas(std::span<const Footprint> subs, Size reference,
                     const CanvasOptions& options) {
  const Extent own{0.0, 0.0, reference.width - 1.0, reference.height - 1.0};
  if (subs.empty() || options.choice == CanvasChoice::reference) {
    return canvas_of(own, options.scale);
  }
  if (options.choice == CanvasChoice::all) return canvas_of(extent_of(subs), options.scale);
  const Rect common = common_rectangle(subs);
  constexpr int least_side = 32;
  if (common.width() < least_side || common.height() < least_side) {
    throw Error(ErrorKind::not_enough_data, "", "the subs have no field in common",
                "give --canvas all or --canvas reference");
  }
  return canvas_of({double(common.x0), double(common.y0), common.x1 - 1.0, common.y1 - 1.0},
                   options.scale);
}

Transform onto_canvas(const Transform& to_reference, const Canvas& canvas) {
  return to_reference.then(
      align::canvas_grid(canvas.scale, {double(canvas.x0), double(canvas.y0)}));
}

namespace {

void multiply(Header& header, const std::string& keyword, double factor) {
  if (const auto value = header.real(keyword)) {
    const Card* card = header.find(keyword);
    header.set(keyword, *value * factor, std::string(card->comment));
  }
}

// Distortion terms of total degree n are in pixels^(1-n) of the finer or coarser grid.
void scale_distortion(Header& header, double s) {
  for (const char* name : {"A", "B", "AP", "BP"}) {
    for (int p = 0; p <= 9; ++p) {
      for (int q = 0; q + p <= 9; ++q) {
        multiply(header, fmt::format("{}_{}_{}", name, p, q), std::pow(s, 1 - p - q));
      }
    }
  }
}

}  // namespace

void move_sky_coordinates(Header& header, const Canvas& canvas) {
  const double s = canvas.scale;
  // FITS counts from 1: position r is CRPIX - 1.
  const auto move = [&](const char* keyword, int start) {
    if (const auto value = header.real(keyword)) {
      header.set(keyword, s * (*value - 1.0 - start + 0.5) - 0.5 + 1.0);
    }
  };
  move("CRPIX1", canvas.x0);
  move("CRPIX2", canvas.y0);
  if (s == 1.0) return;
  for (const char* k : {"CD1_1", "CD1_2", "CD2_1", "CD2_2", "CDELT1", "CDELT2", "XPIXSZ", "YPIXSZ",
                        "PIXSCALE", "SCALE"}) {
    multiply(header, k, 1.0 / s);
  }
  scale_distortion(header, s);
}

}  // namespace coldframe::session
