// Each colour interpolated on its own lattice with Lanczos-3 at half-sample phase.
//
// At that phase the kernel (Duchon 1979, J. Appl. Meteor. 18, 1016) has the values 6, -4/3, 6/25
// (over pi^2) at 1/2, 3/2, 5/2; normalised to unit sum they are 225, -50, 9 over 368. The
// weights are symmetric and 225 - 50 * 3^2 + 9 * 5^2 = 0: cubic polynomials come out exact, and
// the second moments of a star, averaged over sub-pixel phases, are kept.
#include <algorithm>
#include <cmath>

#include "demosaic_rows.hpp"

namespace coldframe::sensor {
namespace {

/// Weights of the samples 1, 3 and 5 half steps away.
struct Taps {
  float inner = 225.0F / 368.0F;
  float middle = -50.0F / 368.0F;
  float outer = 9.0F / 368.0F;
};
constexpr Taps plain{};
constexpr Taps squared{plain.inner * plain.inner, plain.middle* plain.middle,
                       plain.outer* plain.outer};
/// Sum of the six squared weights: the variance that one pass lets through (0.785769).
constexpr double squares = 2.0 * (225.0 * 225.0 + 50.0 * 50.0 + 9.0 * 9.0) / (368.0 * 368.0);

/// Six taps about a half-sample position, from one end to the other.
inline float half_phase(const Taps& w, float a, float b, float c, float d, float e,
                        float f) noexcept {
  return w.inner * (c + d) + (w.middle * (b + e) + w.outer * (a + f));
}

/// Rows in turn: row `y` may be asked for while it is one of the last `count` written.
class RowRing {
 public:
  RowRing(int width, int count, int lead) : rows_(width + 2 * lead, count), lead_(lead) {}
  [[nodiscard]] float* row(int y) {
    const int count = rows_.height();
    return rows_.row((y % count + count) % count).data() + lead_;
  }

 private:
  Grid<float> rows_;
  int lead_;
};

constexpr int along_rows = 2 * lattice_reach + 1;  // rows y - 5 ... y + 5
constexpr int diagonal_rows = 6;                   // rows y - 3 ... y + 2
constexpr int diagonal_lead = 3;

/// Puts the colour's own samples back (a choice inside the loops would keep them from being
/// vectorised).
void keep_own(const float* here, unsigned parity, int width, float* out) noexcept {
  for (int x = static_cast<int>(parity); x < width; x += 2) out[x] = here[x];
}

/// The row's red or blue at every pixel: own samples, and between them the taps at 1, 3, 5 px.
void along_row(const Taps w, const float* here, unsigned parity, int width, float* out) noexcept {
  for (int x = 0; x < width; ++x) {
    out[x] =
        half_phase(w, here[x - 5], here[x - 3], here[x - 1], here[x + 1], here[x + 3], here[x + 5]);
  }
  keep_own(here, parity, width, out);
}

/// Between the rows of a colour: the same taps along the columns.
void across_rows(const Taps w, const float* const rows[6], int width, float* out) noexcept {
  const float* const a = rows[0];
  const float* const b = rows[1];
  const float* const c = rows[2];
  const float* const d = rows[3];
  const float* const e = rows[4];
  const float* const f = rows[5];
  for (int x = 0; x < width; ++x) out[x] = half_phase(w, a[x], b[x], c[x], d[x], e[x], f[x]);
}

/// Greens form a square lattice along the diagonals u = (x + y)/2, v = (x - y)/2. First pass, along
/// u: the value at (x + 1/2, y + 1/2). Only the diagonals of greens mean anything; the others
/// are computed along and never looked at.
void falling_diagonal(const Taps w, const Padded& padded, int y, int width, float* out) noexcept {
  const float* const a = padded.row(y - 2) - 2;
  const float* const b = padded.row(y - 1) - 1;
  const float* const c = padded.row(y);
  const float* const d = padded.row(y + 1) + 1;
  const float* const e = padded.row(y + 2) + 2;
  const float* const f = padded.row(y + 3) + 3;
  for (int x = -diagonal_lead; x < width + diagonal_lead - 1; ++x) {
    out[x] = half_phase(w, a[x], b[x], c[x], d[x], e[x], f[x]);
  }
}

/// Second pass, along v, at the pixels of the row that hold no green.
void rising_diagonal(const Taps w, RowRing& falling, const float* here, int y, unsigned parity,
                     int width, float* out) noexcept {
  const float* const a = falling.row(y - 3) + 2;
  const float* const b = falling.row(y - 2) + 1;
  const float* const c = falling.row(y - 1);
  const float* const d = falling.row(y) - 1;
  const float* const e = falling.row(y + 1) - 2;
  const float* const f = falling.row(y + 2) - 3;
  for (int x = 0; x < width; ++x) out[x] = half_phase(w, a[x], b[x], c[x], d[x], e[x], f[x]);
  keep_own(here, 1U - parity, width, out);
}

/// Whether a sample of colour `colour` is one of the taps of the pixel (dx, dy) away from it.
bool contributes(int colour, int dx, int dy) noexcept {
  const bool odd_x = (dx & 1) != 0;
  const bool odd_y = (dy & 1) != 0;
  if (colour == 1) return odd_x != odd_y && std::abs(dx) + std::abs(dy) <= lattice_reach;
  return (odd_x && (odd_y || dy == 0)) || (odd_y && dx == 0);
}

/// Mean of the nearest samples of `colour` about a pixel that holds none, (dx, dy) away
/// from one.
float nearest_mean(const Padded& padded, int colour, int x, int y, int dx, int dy) noexcept {
  const float* const here = padded.row(y);
  const float* const above = padded.row(y - 1);
  const float* const below = padded.row(y + 1);
  const float sides = here[x - 1] + here[x + 1];
  const float ends = above[x] + below[x];
  if (colour == 1) return 0.25F * (sides + ends);
  if ((dy & 1) == 0) return 0.5F * sides;
  if ((dx & 1) == 0) return 0.5F * ends;
  return 0.25F * ((above[x - 1] + above[x + 1]) + (below[x - 1] + below[x + 1]));
}

/// Calms the surroundings of one spoilt sample: no lobe reaches out to it from there.
void calm(const Padded& padded, int colour, int x0, int y0, PlaneView<float> plane) {
  for (int dy = -lattice_reach; dy <= lattice_reach; ++dy) {
    const int y = y0 + dy;
    if (y < 0 || y >= plane.height()) continue;
    for (int dx = -lattice_reach; dx <= lattice_reach; ++dx) {
      const int x = x0 + dx;
      if (x < 0 || x >= plane.width() || !contributes(colour, dx, dy)) continue;
      plane(x, y) = nearest_mean(padded, colour, x, y, dx, dy);
    }
  }
}

/// Saturated samples (and hits known beforehand) are no light to interpolate: the kernel's lobes
/// would ring beside them. A pixel with such a tap takes the mean of its nearest samples.
void calm_about_spoilt(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]) {
  const Rect& target = padded.target;
  for (int y = -lattice_reach; y < target.height() + lattice_reach; ++y) {
    const std::uint8_t* const bits = padded.bits(y);
    unsigned any = 0;
    for (int x = -lattice_reach; x < target.width() + lattice_reach; ++x) any |= bits[x];
    if ((any & spoilt_bits) == 0) continue;
    for (int x = -lattice_reach; x < target.width() + lattice_reach; ++x) {
      if ((bits[x] & spoilt_bits) == 0) continue;
      const int colour = cfa_colour(pattern, target.x0 + x, target.y0 + y);
      calm(padded, colour, x, y, planes[colour]);
    }
  }
}

void interpolate(const Taps& w, const Padded& padded, CfaPattern pattern,
                 PlaneView<float> planes[3]) {
  const Rect& target = padded.target;
  const int width = target.width();
  RowRing along(width, along_rows, 0);
  RowRing falling(width, diagonal_rows, diagonal_lead);
  const auto fill_along = [&](int y) {
    along_row(w, padded.row(y), row_colours(pattern, target, y).parity, width, along.row(y));
  };
  for (int y = -lattice_reach; y < lattice_reach; ++y) fill_along(y);
  for (int y = -3; y < 2; ++y) falling_diagonal(w, padded, y, width, falling.row(y));
  for (int y = 0; y < target.height(); ++y) {
    fill_along(y + lattice_reach);
    falling_diagonal(w, padded, y + 2, width, falling.row(y + 2));
    const RowColours colours = row_colours(pattern, target, y);
    const OutputRows out = output_rows(planes, colours, y);
    const float* const own = along.row(y);
    std::copy(own, own + width, out.chroma);
    const float* const rows[6] = {along.row(y - 5), along.row(y - 3), along.row(y - 1),
                                  along.row(y + 1), along.row(y + 3), along.row(y + 5)};
    across_rows(w, rows, width, out.other);
    rising_diagonal(w, falling, padded.row(y), y, colours.parity, width, out.green);
  }
}

}  // namespace

void own_lattice(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]) {
  interpolate(plain, padded, pattern, planes);
  calm_about_spoilt(padded, pattern, planes);
}

void own_lattice_variance(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]) {
  interpolate(squared, padded, pattern, planes);
}

DemosaicNoise lattice_noise() noexcept {
  // Red, blue: own samples, two kinds of pixels with one pass and one kind with two, in a cell of
  // four. Green: own samples in two of four, two passes in the others.
  const double chroma = 0.25 * (1.0 + squares) * (1.0 + squares);
  return {{chroma, 0.5 * (1.0 + squares * squares), chroma}};
}

}  // namespace coldframe::sensor
