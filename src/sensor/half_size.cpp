// A 2 x 2 cell of the mosaic as one pixel.
#include "coldframe/core/error.hpp"
#include "coldframe/sensor/demosaic.hpp"

namespace coldframe::sensor {
namespace {

void check(CfaPattern pattern, Size mosaic, const Rect& region, const Rect& target) {
  if (pattern == CfaPattern::none) {
    throw Error(ErrorKind::usage, "", "a monochrome frame has no colour cells",
                "give the colour pattern");
  }
  const Rect cells{2 * target.x0, 2 * target.y0, 2 * target.x1, 2 * target.y1};
  if (target.empty() || mosaic != region.size() || !region.contains(cells)) {
    throw Error(ErrorKind::usage, "", "a band to halve lacks some of its cells", "");
  }
}

/// Where the colours stand in a cell of two rows: column of the chroma in each, and their roles.
struct Cell {
  int red_row, red_x, blue_x;
};

Cell cell_of(CfaPattern pattern) noexcept {
  Cell cell{};
  for (int y = 0; y < 2; ++y) {
    for (int x = 0; x < 2; ++x) {
      if (cfa_colour(pattern, x, y) == 0) {
        cell.red_row = y;
        cell.red_x = x;
      }
      if (cfa_colour(pattern, x, y) == 2) cell.blue_x = x;
    }
  }
  return cell;
}

void gather(PlaneView<const float> samples, const Rect& region, CfaPattern pattern,
            const Rect& target, float green_weight, PlaneView<float> planes[3]) {
  const Cell cell = cell_of(pattern);
  for (int y = target.y0; y < target.y1; ++y) {
    const float* const red =
        samples.row(2 * y + cell.red_row - region.y0).data() + (2 * target.x0 - region.x0);
    const float* const blue =
        samples.row(2 * y + 1 - cell.red_row - region.y0).data() + (2 * target.x0 - region.x0);
    float* const r = planes[0].row(y - target.y0).data();
    float* const g = planes[1].row(y - target.y0).data();
    float* const b = planes[2].row(y - target.y0).data();
    for (int x = 0; x < target.width(); ++x) {
      r[x] = red[2 * x + cell.red_x];
      b[x] = blue[2 * x + cell.blue_x];
      g[x] = green_weight * (red[2 * x + 1 - cell.red_x] + blue[2 * x + 1 - cell.blue_x]);
    }
  }
}

}  // namespace

void half_size_band(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask,
                    const Rect& region, CfaPattern pattern, const Rect& target,
                    PlaneView<float> planes[3], PlaneView<std::uint8_t> masks[3]) {
  check(pattern, mosaic.size(), region, target);
  check(pattern, mask.size(), region, target);
  gather(mosaic, region, pattern, target, 0.5F, planes);
  for (int y = target.y0; y < target.y1; ++y) {
    for (int x = target.x0; x < target.x1; ++x) {
      std::uint8_t bits[3] = {};
      for (int k = 0; k < 4; ++k) {
        const int u = 2 * x + (k & 1);
        const int v = 2 * y + (k >> 1);
        auto& of_colour = bits[cfa_colour(pattern, u, v)];
        of_colour = static_cast<std::uint8_t>(of_colour | mask(u - region.x0, v - region.y0));
      }
      for (int c = 0; c < 3; ++c) masks[c](x - target.x0, y - target.y0) = bits[c];
    }
  }
}

void half_size_variance_band(PlaneView<const float> variance, const Rect& region,
                             CfaPattern pattern, const Rect& target, PlaneView<float> planes[3]) {
  check(pattern, variance.size(), region, target);
  gather(variance, region, pattern, target, 0.25F, planes);
}

Point half_size_sample(CfaPattern pattern, int plane) noexcept {
  if (plane == 1 || pattern == CfaPattern::none) return {0.5, 0.5};
  const Cell cell = cell_of(pattern);
  if (plane == 0) return {double(cell.red_x), double(cell.red_row)};
  return {double(cell.blue_x), double(1 - cell.red_row)};
}

}  // namespace coldframe::sensor
