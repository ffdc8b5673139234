#include <cmath>

#include "align/kernel_weights.hpp"
#include "align/resample_kernel.hpp"
#include "align/resample_parts.hpp"

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
};

// floor() for values of int's range, in a form that compilers vectorise.
inline int whole_below(double value) noexcept {
  const int truncated = static_cast<int>(value);
  return truncated - (value < static_cast<double>(truncated) ? 1 : 0);
}

void locate(const ResampleJob& job, Piece& piece, int n) noexcept {
  const Rect held = job.region.intersect(whole(job.sub));
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

void fill_values(const ResampleJob& job, const Piece& piece, int n, float* out) noexcept {
  TapRun run;
  run.source = job.source.data();
  run.pitch = job.source.pitch();
  run.kernel = job.options.kernel;
  run.guard = static_cast<float>(job.options.guard);
  for (int i = 0; i < n;) {
    if (piece.place[i] == Place::outside) {
      out[i++] = 0.0F;
    } else if (piece.place[i] == Place::edge) {
      out[i] = edge_pixel(job, piece.ix[i] + taps_before, piece.iy[i] + taps_before, piece.ux[i],
                          piece.uy[i]);
      ++i;
    } else {
      int end = i + 1;
      while (end < n && piece.place[end] == Place::interior) ++end;
      run.ix = piece.ix + i;
      run.iy = piece.iy + i;
      run.ux = piece.ux + i;
      run.uy = piece.uy + i;
      resample_run(run, out + i, static_cast<std::size_t>(end - i));
      i = end;
    }
  }
  for (int i = 0; i < n; ++i) {
    if (piece.place[i] != Place::outside) out[i] *= static_cast<float>(piece.area[i]);
  }
}

void fill_mask(const ResampleJob& job, const MaskSummary& summary, const Piece& piece, int n,
               std::uint8_t* out) noexcept {
  for (int i = 0; i < n; ++i) {
    if (piece.place[i] == Place::outside) {
      out[i] = mask_bit::outside;
      continue;
    }
    out[i] = 0;
    if (summary.clean()) continue;
    const int x = piece.ix[i], y = piece.iy[i];
    if (piece.place[i] == Place::interior && summary.row(y)[x] == 0) continue;
    float wx[tap_count], wy[tap_count];
    tap_weights(job.options.kernel, piece.ux[i], wx);
    tap_weights(job.options.kernel, piece.uy[i], wy);
    out[i] = weighted_mask(job.source_mask, x, y, wx, tap_count, wy, tap_count,
                           job.options.mask_share);
  }
}

}  // namespace

void resample_general(const ResampleJob& job, const Transform& sub_to_reference) {
  InverseGrid grid(sub_to_reference, job.destination);
  const MaskSummary summary(job.source_mask);
  Piece piece;
  for (int y = job.destination.y0; y < job.destination.y1; ++y) {
    const int row = y - job.destination.y0;
    for (int x = job.destination.x0; x < job.destination.x1; x += chunk) {
      const int n = std::min(chunk, job.destination.x1 - x);
      const int column = x - job.destination.x0;
      grid.row(x, y, n, piece.sx, piece.sy, piece.area);
      locate(job, piece, n);
      fill_values(job, piece, n, job.values.row(row).data() + column);
      fill_mask(job, summary, piece, n, job.mask.row(row).data() + column);
    }
  }
}

float edge_pixel(const ResampleJob& job, int cx, int cy, float ux, float uy) noexcept {
  float wx[tap_count], wy[tap_count];
  tap_weights(job.options.kernel, ux, wx);
  tap_weights(job.options.kernel, uy, wy);
  const Rect held = job.region.intersect(whole(job.sub)).intersect(
      {job.region.x0, job.region.y0, job.region.x0 + job.source.width(),
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
