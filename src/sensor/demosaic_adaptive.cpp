// Adaptive demosaicing: green along a direction chosen by the data, red and blue by colour
// differences, all held to what each colour's own samples say of its light.
#include <cmath>

#include "demosaic_rows.hpp"

namespace coldframe::sensor {
namespace {

/// Reach of the smoothing below, and of the planes beyond the target that it needs.
constexpr int reach = 2;
/// Binomial weights; they sum to 1, and every second of them to 1/2: the share of a lattice's own
/// samples under the 5 x 5 window is the same everywhere.
constexpr float binomial[3] = {6.0F / 16.0F, 4.0F / 16.0F, 1.0F / 16.0F};

/// Red and blue of one row as green plus the interpolated colour difference.
void difference_row(const float* const values[3], const float* const greens[3], unsigned parity,
                    int width, const OutputRows& out) {
  const float* const above = values[0];
  const float* const here = values[1];
  const float* const below = values[2];
  float* const chroma = out.chroma;
  float* const green = out.green;
  float* const other = out.other;
  for (int x = 0; x < width; ++x) {
    const auto difference = [x](const float* row, const float* green_row, int dx) {
      return row[x + dx] - green_row[x + dx];
    };
    const float sides = difference(here, greens[1], -1) + difference(here, greens[1], 1);
    const float ends = difference(above, greens[0], 0) + difference(below, greens[2], 0);
    const float corners = (difference(above, greens[0], -1) + difference(above, greens[0], 1)) +
                          (difference(below, greens[2], -1) + difference(below, greens[2], 1));
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    const float level = greens[1][x];
    green[x] = level;
    chroma[x] = at_chroma ? here[x] : level + 0.5F * sides;
    other[x] = level + (at_chroma ? 0.25F * corners : 0.5F * ends);
  }
}

/// The method as published, on all of `padded.target`.
void as_published(const Padded& padded, CfaPattern pattern, Demosaic method,
                  const SampleNoise& noise, PlaneView<float> planes[3]) {
  const Rect& target = padded.target;
  Grid<float> green(target.width() + 2, target.height() + 2);
  if (method == Demosaic::lmmse) lmmse_green(padded, pattern, noise, green.view());
  if (method == Demosaic::gradient_corrected) {
    gradient_corrected_green(padded, pattern, green.view());
  }
  for (int y = 0; y < target.height(); ++y) {
    const RowColours colours = row_colours(pattern, target, y);
    const float* const values[3] = {padded.row(y - 1), padded.row(y), padded.row(y + 1)};
    const float* const greens[3] = {green.row(y).data() + 1, green.row(y + 1).data() + 1,
                                    green.row(y + 2).data() + 1};
    difference_row(values, greens, colours.parity, target.width(), output_rows(planes, colours, y));
  }
}

/// 1 where a method's look at the surroundings meets a spoilt sample; empty when none is near.
Mask near_spoilt(const Padded& padded, int look) {
  const Size size = padded.target.size();
  Mask near;
  for (int y = -padded.margin; y < size.height + padded.margin; ++y) {
    const std::uint8_t* const bits = padded.bits(y);
    unsigned any = 0;
    for (int x = -padded.margin; x < size.width + padded.margin; ++x) any |= bits[x];
    if ((any & spoilt_bits) == 0) continue;
    if (near.empty()) near = Mask(size);
    for (int x = -padded.margin; x < size.width + padded.margin; ++x) {
      if ((bits[x] & spoilt_bits) == 0) continue;
      const Rect box = Rect{x - look, y - look, x + look + 1, y + look + 1}.intersect(whole(size));
      for (int v = box.y0; v < box.y1; ++v) {
        for (int u = box.x0; u < box.x1; ++u) near(u, v) = 1;
      }
    }
  }
  return near;
}

/// Turns a plane into what it adds to the colour's own lattice: 0 at its own samples and near
/// spoilt ones.
void take_excess(const Padded& padded, CfaPattern pattern, int colour, const Mask& near,
                 PlaneView<const float> lattice, PlaneView<float> plane) {
  const Rect& target = padded.target;
  for (int y = 0; y < plane.height(); ++y) {
    const float* const base = lattice.row(y).data();
    float* const row = plane.row(y).data();
    for (int x = 0; x < plane.width(); ++x) row[x] -= base[x];
    for (int x = 0; x < plane.width(); ++x) {
      const bool own = cfa_colour(pattern, target.x0 + x, target.y0 + y) == colour;
      if (own || (!near.empty() && near(x, y) != 0)) row[x] = 0.0F;
    }
  }
}

/// Across the rows of `excess` about row y, columns [0, width).
void smooth_rows(const Grid<float>& excess, int y, float* out) {
  const float* const rows[5] = {excess.row(y - 2).data(), excess.row(y - 1).data(),
                                excess.row(y).data(), excess.row(y + 1).data(),
                                excess.row(y + 2).data()};
  for (int x = 0; x < excess.width(); ++x) {
    out[x] = binomial[0] * rows[2][x] +
             (binomial[1] * (rows[1][x] + rows[3][x]) + binomial[2] * (rows[0][x] + rows[4][x]));
  }
}

/// lattice + excess - its smooth part, spread over the pixels that are no own samples: the smooth
/// part's weights sum to `share` there, so the sum of all that is added vanishes.
void keep_light(const Padded& padded, CfaPattern pattern, int colour, const Grid<float>& lattice,
                const Grid<float>& excess, PlaneView<float> out) {
  const Rect& target = padded.target;
  const float share = colour == 1 ? 2.0F : 4.0F / 3.0F;  // 1 / (1/2), 1 / (3/4)
  Grid<float> smooth(excess.width(), 1);
  float* const column = smooth.row(0).data() + reach;
  for (int y = 0; y < out.height(); ++y) {
    smooth_rows(excess, y + reach, smooth.row(0).data());
    const float* const base = lattice.row(y + reach).data() + reach;
    const float* const more = excess.row(y + reach).data() + reach;
    float* const to = out.row(y).data();
    for (int x = 0; x < out.width(); ++x) {
      const float mean = binomial[0] * column[x] + (binomial[1] * (column[x - 1] + column[x + 1]) +
                                                    binomial[2] * (column[x - 2] + column[x + 2]));
      to[x] = base[x] + (more[x] - share * mean);
    }
    for (int x = 0; x < out.width(); ++x) {
      const bool own = cfa_colour(pattern, target.x0 + reach + x, target.y0 + reach + y) == colour;
      if (own) to[x] = base[x];
    }
  }
}

}  // namespace

// Hamilton & Adams (1997, US patent 5,629,734, expired): the mean of the two greens along the
// direction of least change, corrected by the second difference of the pixel's own colour.
void gradient_corrected_green(const Padded& padded, CfaPattern pattern, PlaneView<float> green) {
  const Rect& target = padded.target;
  for (int y = -1; y <= target.height(); ++y) {
    const unsigned parity = row_colours(pattern, target, y).parity;
    const float* const up2 = padded.row(y - 2);
    const float* const up = padded.row(y - 1);
    const float* const here = padded.row(y);
    const float* const down = padded.row(y + 1);
    const float* const down2 = padded.row(y + 2);
    float* const out = green.row(y + 1).data() + 1;
    for (int x = -1; x <= target.width(); ++x) {
      const float own = here[x];
      const float bend_h = (own - here[x - 2]) + (own - here[x + 2]);
      const float bend_v = (own - up2[x]) + (own - down2[x]);
      const float change_h = std::abs(here[x - 1] - here[x + 1]) + std::abs(bend_h);
      const float change_v = std::abs(up[x] - down[x]) + std::abs(bend_v);
      const float along_h = 0.5F * (here[x - 1] + here[x + 1]) + 0.25F * bend_h;
      const float along_v = 0.5F * (up[x] + down[x]) + 0.25F * bend_v;
      const float both = 0.5F * (along_h + along_v);
      const float chosen = change_h < change_v ? along_h : (change_v < change_h ? along_v : both);
      const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
      out[x] = at_chroma ? chosen : own;
    }
  }
}

void adaptive(const Padded& padded, CfaPattern pattern, Demosaic method, const SampleNoise& noise,
              PlaneView<float> planes[3]) {
  const Size size = padded.target.size();
  ColourPlanes lattice(size);
  ColourPlanes excess(size);
  PlaneView<float> lattice_views[3] = {lattice.plane[0].view(), lattice.plane[1].view(),
                                       lattice.plane[2].view()};
  PlaneView<float> excess_views[3] = {excess.plane[0].view(), excess.plane[1].view(),
                                      excess.plane[2].view()};
  own_lattice(padded, pattern, lattice_views);
  as_published(padded, pattern, method, noise, excess_views);
  // How far a filled-in pixel looks: to the greens next to it and what these look at.
  const Mask near = near_spoilt(padded, method == Demosaic::lmmse ? 11 : 3);
  for (int c = 0; c < 3; ++c) {
    take_excess(padded, pattern, c, near, lattice.plane[c].cview(), excess_views[c]);
    keep_light(padded, pattern, c, lattice.plane[c], excess.plane[c], planes[c]);
  }
}

}  // namespace coldframe::sensor
