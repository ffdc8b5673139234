#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "demosaic_rows.hpp"

namespace coldframe::sensor {
namespace {

/// Position reflected about the edge pixel (-1 -> 1), which keeps the colour.
int reflected(int i, int count) noexcept {
  if (count == 1) return 0;
  while (i < 0 || i >= count) i = i < 0 ? -i : 2 * (count - 1) - i;
  return i;
}

template <typename T>
void copy_padded_row(PlaneView<const T> source, const Rect& region, Size frame, const Rect& wide,
                     int y, std::span<T> to) {
  const auto from = source.row(reflected(y, frame.height) - region.y0);
  const int first = std::max(wide.x0, 0);
  const int last = std::min(wide.x1, frame.width);
  std::copy(from.begin() + (first - region.x0), from.begin() + (last - region.x0),
            to.begin() + (first - wide.x0));
  const auto pixel = [&](int x) {
    to[static_cast<std::size_t>(x - wide.x0)] =
        from[static_cast<std::size_t>(reflected(x, frame.width) - region.x0)];
  };
  for (int x = wide.x0; x < first; ++x) pixel(x);
  for (int x = last; x < wide.x1; ++x) pixel(x);
}

void check(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask, const Rect& region,
           Size frame, CfaPattern pattern, const Rect& target) {
  if (pattern == CfaPattern::none) {
    throw Error(ErrorKind::usage, "", "a monochrome frame cannot be demosaiced",
                "give the colour pattern");
  }
  const bool sizes = mosaic.size() == region.size() && mask.size() == region.size();
  const Rect needed = target.expand(demosaic_margin).intersect(whole(frame));
  // Mirroring reaches as far inside as it stands outside: covered by the same rectangle
  // unless the target is narrower than the margin.
  if (!sizes || target.empty() || !whole(frame).contains(target) || !region.contains(needed) ||
      frame.width < 2 || frame.height < 2) {
    throw Error(ErrorKind::usage, "", "a band to demosaic lacks its margin", "");
  }
}

Padded pad(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask, const Rect& region,
           Size frame, const Rect& target) {
  const Rect wide = target.expand(demosaic_margin);
  Padded padded{target, Grid<float>(wide.size()), Mask(wide.size())};
  for (int y = wide.y0; y < wide.y1; ++y) {
    copy_padded_row(mosaic, region, frame, wide, y, padded.values.row(y - wide.y0));
    copy_padded_row(mask, region, frame, wide, y, padded.mask.row(y - wide.y0));
  }
  return padded;
}

struct OutputBits {
  std::uint8_t* chroma;
  std::uint8_t* green;
  std::uint8_t* other;
};

OutputBits output_bits(PlaneView<std::uint8_t> masks[3], const RowColours& colours, int y) {
  return {masks[colours.chroma].row(y).data(), masks[1].row(y).data(),
          masks[colours.other].row(y).data()};
}

void bilinear_row(const float* above, const float* here, const float* below, unsigned parity,
                  int width, const OutputRows& out) {
  float* const chroma = out.chroma;
  float* const green = out.green;
  float* const other = out.other;
  for (int x = 0; x < width; ++x) {
    const float sides = here[x - 1] + here[x + 1];
    const float ends = above[x] + below[x];
    const float corners = (above[x - 1] + above[x + 1]) + (below[x - 1] + below[x + 1]);
    const float own = here[x];
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    chroma[x] = at_chroma ? own : 0.5F * sides;
    green[x] = at_chroma ? 0.25F * (sides + ends) : own;
    other[x] = at_chroma ? 0.25F * corners : 0.5F * ends;
  }
}

/// Bits of the samples that carry more than 10% of the squared weight: the nearest ones, for
/// Lanczos-3 at half phase too (48% each of two, 23% each of four; the next ones 2.3% and 1.1%).
/// `own_everywhere`:
/// colour-difference methods lean on the pixel's own sample for every plane.
void mask_row(const std::uint8_t* above, const std::uint8_t* here, const std::uint8_t* below,
              unsigned parity, int width, bool own_everywhere, const OutputBits& out) {
  const unsigned shared = own_everywhere ? 0xFFU : 0U;
  for (int x = 0; x < width; ++x) {
    const unsigned own = here[x];
    const unsigned sides = static_cast<unsigned>(here[x - 1] | here[x + 1]);
    const unsigned ends = static_cast<unsigned>(above[x] | below[x]);
    const unsigned corners =
        static_cast<unsigned>(above[x - 1] | above[x + 1] | below[x - 1] | below[x + 1]);
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    const unsigned extra = own & shared;
    out.chroma[x] = static_cast<std::uint8_t>(at_chroma ? own : sides | extra);
    out.green[x] = static_cast<std::uint8_t>(at_chroma ? sides | ends | extra : own);
    out.other[x] = static_cast<std::uint8_t>(at_chroma ? corners | extra : ends | extra);
  }
}

/// Green of one row by Hamilton & Adams (1997, US patent 5,629,734, expired): the mean of
/// the two greens along the direction of least change, corrected by the second difference of
/// the pixel's own colour. x runs over [-1, width].
void green_row(const Padded& padded, int y, unsigned parity, int width, float* green) {
  const float* const up2 = padded.row(y - 2);
  const float* const up = padded.row(y - 1);
  const float* const here = padded.row(y);
  const float* const down = padded.row(y + 1);
  const float* const down2 = padded.row(y + 2);
  for (int x = -1; x <= width; ++x) {
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
    green[x] = at_chroma ? chosen : own;
  }
}

/// Red and blue as green plus the interpolated colour difference.
void difference_row(const Padded& padded, int y, const float* green_above, const float* green_here,
                    const float* green_below, unsigned parity, int width, const OutputRows& out) {
  const float* const above = padded.row(y - 1);
  const float* const here = padded.row(y);
  const float* const below = padded.row(y + 1);
  float* const chroma = out.chroma;
  float* const green = out.green;
  float* const other = out.other;
  for (int x = 0; x < width; ++x) {
    const auto difference = [x](const float* values, const float* greens, int dx) {
      return values[x + dx] - greens[x + dx];
    };
    const float sides = difference(here, green_here, -1) + difference(here, green_here, 1);
    const float ends = difference(above, green_above, 0) + difference(below, green_below, 0);
    const float corners = (difference(above, green_above, -1) + difference(above, green_above, 1)) +
                          (difference(below, green_below, -1) + difference(below, green_below, 1));
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    const float level = green_here[x];
    green[x] = level;
    chroma[x] = at_chroma ? here[x] : level + 0.5F * sides;
    other[x] = level + (at_chroma ? 0.25F * corners : 0.5F * ends);
  }
}

void gradient_corrected(const Padded& padded, CfaPattern pattern, PlaneView<float> planes[3]) {
  const Rect& target = padded.target;
  const int width = target.width();
  Grid<float> greens(width + 2, 3);  // three rows in turn, one pixel more on each side
  const auto slot = [&](int y) { return greens.row((y + 3) % 3).data() + 1; };
  for (int y = -1; y <= 0; ++y) {
    green_row(padded, y, row_colours(pattern, target, y).parity, width, slot(y));
  }
  for (int y = 0; y < target.height(); ++y) {
    green_row(padded, y + 1, row_colours(pattern, target, y + 1).parity, width, slot(y + 1));
    const RowColours colours = row_colours(pattern, target, y);
    difference_row(padded, y, slot(y - 1), slot(y), slot(y + 1), colours.parity, width,
                   output_rows(planes, colours, y));
  }
}

}  // namespace

void demosaic_band(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask,
                   const Rect& region, Size frame, CfaPattern pattern, Demosaic method,
                   const Rect& target, PlaneView<float> planes[3],
                   PlaneView<std::uint8_t> masks[3]) {
  check(mosaic, mask, region, frame, pattern, target);
  const Padded padded = pad(mosaic, mask, region, frame, target);
  if (method == Demosaic::gradient_corrected) gradient_corrected(padded, pattern, planes);
  if (method == Demosaic::own_lattice) own_lattice(padded, pattern, planes);
  for (int y = 0; y < target.height(); ++y) {
    const RowColours colours = row_colours(pattern, target, y);
    if (method == Demosaic::bilinear) {
      bilinear_row(padded.row(y - 1), padded.row(y), padded.row(y + 1), colours.parity,
                   target.width(), output_rows(planes, colours, y));
    }
    mask_row(padded.bits(y - 1), padded.bits(y), padded.bits(y + 1), colours.parity, target.width(),
             method == Demosaic::gradient_corrected, output_bits(masks, colours, y));
  }
}

DemosaicNoise demosaic_noise(Demosaic method) noexcept {
  // Bilinear, per cell of four pixels (weights squared; CFA entry of the reference values):
  // green 1, 1, 1/4, 1/4; red and blue 1, 1/2, 1/2, 1/4.
  if (method == Demosaic::bilinear) return {{0.5625, 0.625, 0.5625}};
  if (method == Demosaic::own_lattice) return lattice_noise();
  // Measured on white noise (the direction is chosen by the data, so no exact figure exists).
  return {{0.986, 0.862, 0.986}};
}

}  // namespace coldframe::sensor
