#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstring>

#include "align/position_kernel.hpp"
#include "align/resample_kernel.hpp"
#include "align/resample_parts.hpp"
#include "coldframe/align/kernel_weights.hpp"

namespace coldframe::align {
namespace {

constexpr int chunk = 256;

enum class Place : std::uint8_t { interior, edge, outside };

// Positions of a piece of a destination row.
struct Piece {
  double sx[chunk], sy[chunk], area[chunk];
  std::int32_t ix[chunk], iy[chunk];  // first tap, in the source view
  float ux[chunk], uy[chunk];
  Place place[chunk];
  // Every pixel is interior: `place` is then not filled. Positions may be linear in x.
  bool all_interior = false, linear = false;
};

// floor() for values of int's range, in a form that compilers vectorise.
inline int whole_below(double value) noexcept {
  const int truncated = static_cast<int>(value);
  return truncated - (value < static_cast<double>(truncated) ? 1 : 0);
}

bool full_taps(const Rect& held, double sx, double sy) noexcept {
  return sx >= held.x0 + taps_before && sx < held.x1 - taps_after && sy >= held.y0 + taps_before &&
         sy < held.y1 - taps_after;
}

SplitPositions across(const ResampleJob& job, Piece& piece) noexcept {
  return {piece.ix, piece.ux, taps_before + job.region.x0};
}
SplitPositions along(const ResampleJob& job, Piece& piece) noexcept {
  return {piece.iy, piece.uy, taps_before + job.region.y0};
}

// A straight row that has all its taps needs no list of positions.
bool locate_straight(const ResampleJob& job, const InverseGrid::Line& line, int x, Piece& piece,
                     int n) noexcept {
  const Rect held = job.region.intersect(whole(job.sub));
  const double first = x, last = x + n - 1;
  if (!full_taps(held, line.xs * first + line.xo, line.ys * first + line.yo) ||
      !full_taps(held, line.xs * last + line.xo, line.ys * last + line.yo)) {
    return false;
  }
  piece.all_interior = true;
  piece.area[0] = line.area;
  split(PositionLine{line.xs, line.xo, x}, across(job, piece), static_cast<std::size_t>(n));
  split(PositionLine{line.ys, line.yo, x}, along(job, piece), static_cast<std::size_t>(n));
  return true;
}

void locate(const ResampleJob& job, Piece& piece, int n) noexcept {
  const Rect held = job.region.intersect(whole(job.sub));
  piece.all_interior = !piece.linear;
  for (int i = 0; i < n && piece.all_interior; ++i) {
    piece.all_interior = full_taps(held, piece.sx[i], piece.sy[i]);
  }
  if (piece.all_interior) {
    split(piece.sx, across(job, piece), static_cast<std::size_t>(n));
    return split(piece.sy, along(job, piece), static_cast<std::size_t>(n));
  }
  for (int i = 0; i < n; ++i) {
    const bool usable = inside(piece.sx[i], piece.sy[i], job.sub);
    const double sx = usable ? piece.sx[i] : 0.0;
    const double sy = usable ? piece.sy[i] : 0.0;
    const int fx = whole_below(sx), fy = whole_below(sy);
    piece.ux[i] = static_cast<float>((sx - fx) - 0.5);
    piece.uy[i] = static_cast<float>((sy - fy) - 0.5);
    piece.ix[i] = fx - taps_before - job.region.x0;
    piece.iy[i] = fy - taps_before - job.region.y0;
    const bool full = fx - taps_before >= held.x0 && fx + taps_after < held.x1 &&
                      fy - taps_before >= held.y0 && fy + taps_after < held.y1;
    piece.place[i] = !usable ? Place::outside : full ? Place::interior : Place::edge;
  }
}

void scale_by_area(const Piece& piece, int n, float* out) noexcept {
  if (piece.linear) {
    // Outside values are zeros and stay so.
    const auto area = static_cast<float>(piece.area[0]);
    if (area == 1.0F) return;
    for (int i = 0; i < n; ++i) out[i] *= area;
    return;
  }
  for (int i = 0; i < n; ++i) {
    if (piece.all_interior || piece.place[i] != Place::outside) {
      out[i] *= static_cast<float>(piece.area[i]);
    }
  }
}

void fill_values(const ResampleJob& job, const Piece& piece, int n, float* out) noexcept {
  TapRun run;
  run.source = job.source.data();
  run.pitch = job.source.pitch();
  run.width = job.source.width();
  run.kernel = job.options.kernel;
  run.guard = static_cast<float>(job.options.guard);
  for (int i = 0; i < n;) {
    if (!piece.all_interior && piece.place[i] == Place::outside) {
      out[i++] = 0.0F;
    } else if (!piece.all_interior && piece.place[i] == Place::edge) {
      out[i] = edge_pixel(job, piece.ix[i] + taps_before, piece.iy[i] + taps_before, piece.ux[i],
                          piece.uy[i]);
      ++i;
    } else {
      int end = piece.all_interior ? n : i + 1;
      while (end < n && piece.place[end] == Place::interior) ++end;
      run.ix = piece.ix + i;
      run.iy = piece.iy + i;
      run.ux = piece.ux + i;
      run.uy = piece.uy + i;
      resample_run(run, out + i, static_cast<std::size_t>(end - i));
      i = end;
    }
  }
  scale_by_area(piece, n, out);
}

// Eight pixels of a straight row whose taps are side by side and all unmasked. (A linear
// position that moves by seven pixels in seven steps moves by one in each.)
bool eight_clean(const MaskSummary& summary, const Piece& piece, int i) noexcept {
  const int first = piece.ix[i], last = piece.ix[i + 7];
  if (piece.iy[i] != piece.iy[i + 7] || (last - first != 7 && first - last != 7)) return false;
  std::uint64_t flags = 0;
  std::memcpy(&flags, summary.at(std::min(first, last), piece.iy[i]), sizeof flags);
  return flags == 0;
}

void fill_mask(const ResampleJob& job, const MaskSummary& summary, const Piece& piece, int n,
               std::uint8_t* out) noexcept {
  std::memset(out, 0, static_cast<std::size_t>(n));
  if (piece.all_interior && summary.clean()) return;
  for (int i = 0; i < n; ++i) {
    const bool interior = piece.all_interior || piece.place[i] == Place::interior;
    if (!interior && piece.place[i] == Place::outside) {
      out[i] = mask_bit::outside;
      continue;
    }
    if (summary.clean()) continue;
    if (piece.all_interior && piece.linear && i + 8 <= n && eight_clean(summary, piece, i)) {
      i += 7;
      continue;
    }
    if (interior && *summary.at(piece.ix[i], piece.iy[i]) == 0) continue;
    float wx[tap_count], wy[tap_count];
    tap_weights(job.options.kernel, piece.ux[i], wx);
    tap_weights(job.options.kernel, piece.uy[i], wy);
    out[i] = weighted_mask(job.source_mask, piece.ix[i], piece.iy[i], wx, tap_count, wy, tap_count,
                           job.options.mask_share);
  }
}

}  // namespace

void resample_general(const ResampleJob& job, const Transform& sub_to_reference) {
  InverseGrid grid(sub_to_reference, job.destination);
  const MaskSummary summary(job.source_mask);
  Piece piece;
  piece.linear = grid.linear();
  for (int y = job.destination.y0; y < job.destination.y1; ++y) {
    const int row = y - job.destination.y0;
    for (int x = job.destination.x0; x < job.destination.x1; x += chunk) {
      const int n = std::min(chunk, job.destination.x1 - x);
      const int column = x - job.destination.x0;
      if (!piece.linear || !locate_straight(job, grid.line(y), x, piece, n)) {
        grid.row(x, y, n, piece.sx, piece.sy, piece.area);
        locate(job, piece, n);
      }
      fill_values(job, piece, n, job.values.row(row).data() + column);
      fill_mask(job, summary, piece, n, job.mask.row(row).data() + column);
    }
  }
}

float edge_pixel(const ResampleJob& job, int cx, int cy, float ux, float uy) noexcept {
  float wx[tap_count], wy[tap_count];
  tap_weights(job.options.kernel, ux, wx);
  tap_weights(job.options.kernel, uy, wy);
  const Rect held =
      job.region.intersect(whole(job.sub))
          .intersect({job.region.x0, job.region.y0, job.region.x0 + job.source.width(),
                      job.region.y0 + job.source.height()});
  const Rect view{held.x0 - job.region.x0, held.y0 - job.region.y0, held.x1 - job.region.x0,
                  held.y1 - job.region.y0};
  float sum_x = 0.0F, sum_y = 0.0F;
  for (int k = 0; k < tap_count; ++k) {
    const int x = cx - taps_before + k, y = cy - taps_before + k;
    if (x < view.x0 || x >= view.x1) wx[k] = 0.0F;
    if (y < view.y0 || y >= view.y1) wy[k] = 0.0F;
    sum_x += wx[k];
    sum_y += wy[k];
  }
  float value = 0.0F;
  bool first = true;
  float lowest = 0.0F, highest = 0.0F;
  for (int k = 0; k < tap_count; ++k) {
    const int x = cx - taps_before + k;
    if (x < view.x0 || x >= view.x1) continue;
    float column = 0.0F;
    for (int j = 0; j < tap_count; ++j) {
      const int y = cy - taps_before + j;
      if (y < view.y0 || y >= view.y1) continue;
      const float sample = job.source(x, y);
      column += wy[j] * sample;
      if (k < 1 || k > 4 || j < 1 || j > 4) continue;
      lowest = first || sample < lowest ? sample : lowest;
      highest = first || highest < sample ? sample : highest;
      first = false;
    }
    value += wx[k] * column;
  }
  value /= sum_x * sum_y;
  const auto guard = static_cast<float>(job.options.guard);
  if (guard >= 0.0F) {
    const float floor = lowest - guard * (highest - lowest);
    value = value < floor ? floor : value;
  }
  return value;
}

}  // namespace coldframe::align
