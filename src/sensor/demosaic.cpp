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

void check(PlaneView<const float> mosaic, const Rect& region, Size frame, CfaPattern pattern,
           Demosaic method, const Rect& target) {
  if (pattern == CfaPattern::none) {
    throw Error(ErrorKind::usage, "", "a monochrome frame cannot be demosaiced",
                "give the colour pattern");
  }
  if (method == Demosaic::half_size) {
    throw Error(ErrorKind::usage, "", "half-size pixels are not made by demosaicing",
                "call half_size_band");
  }
  const Rect needed = target.expand(demosaic_margin(method)).intersect(whole(frame));
  // Mirroring reaches as far inside as it stands outside: covered by the same rectangle
  // unless the target is narrower than the margin.
  if (mosaic.size() != region.size() || target.empty() || !whole(frame).contains(target) ||
      !region.contains(needed) || frame.width < 2 || frame.height < 2) {
    throw Error(ErrorKind::usage, "", "a band to demosaic lacks its margin", "");
  }
}

Padded pad_values(PlaneView<const float> mosaic, const Rect& region, Size frame, const Rect& target,
                  int margin) {
  const Rect wide = target.expand(margin);
  Padded padded{target, margin, Grid<float>(wide.size()), Mask()};
  for (int y = wide.y0; y < wide.y1; ++y) {
    copy_padded_row(mosaic, region, frame, wide, y, padded.values.row(y - wide.y0));
  }
  return padded;
}

Padded pad(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask, const Rect& region,
           Size frame, const Rect& target, int margin) {
  Padded padded = pad_values(mosaic, region, frame, target, margin);
  padded.mask = Mask(padded.values.size());
  const Rect wide = target.expand(margin);
  for (int y = wide.y0; y < wide.y1; ++y) {
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

/// Means of two and four nearest samples; for variances with a half and a quarter of the weight.
struct MeanWeights {
  float two = 0.5F;
  float four = 0.25F;
};
constexpr MeanWeights means{};
constexpr MeanWeights mean_variances{0.25F, 0.0625F};

void bilinear_row(const MeanWeights w, const float* above, const float* here, const float* below,
                  unsigned parity, int width, const OutputRows& out) {
  float* const chroma = out.chroma;
  float* const green = out.green;
  float* const other = out.other;
  for (int x = 0; x < width; ++x) {
    const float sides = here[x - 1] + here[x + 1];
    const float ends = above[x] + below[x];
    const float corners = (above[x - 1] + above[x + 1]) + (below[x - 1] + below[x + 1]);
    const float own = here[x];
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    chroma[x] = at_chroma ? own : w.two * sides;
    green[x] = at_chroma ? w.four * (sides + ends) : own;
    other[x] = at_chroma ? w.four * corners : w.two * ends;
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

void bilinear(const MeanWeights& w, const Padded& padded, CfaPattern pattern,
              PlaneView<float> planes[3]) {
  const Rect& target = padded.target;
  for (int y = 0; y < target.height(); ++y) {
    const RowColours colours = row_colours(pattern, target, y);
    bilinear_row(w, padded.row(y - 1), padded.row(y), padded.row(y + 1), colours.parity,
                 target.width(), output_rows(planes, colours, y));
  }
}

void masks_of(const Padded& padded, int inset, CfaPattern pattern, const Rect& target,
              bool own_everywhere, PlaneView<std::uint8_t> masks[3]) {
  for (int y = 0; y < target.height(); ++y) {
    const RowColours colours = row_colours(pattern, target, y);
    const auto bits = [&](int dy) { return padded.bits(y + inset + dy) + inset; };
    mask_row(bits(-1), bits(0), bits(1), colours.parity, target.width(), own_everywhere,
             output_bits(masks, colours, y));
  }
}

/// Variance of what is filled in by an adaptive method: the mean of the nearest samples' variances
/// times the gain of the place.
void adaptive_variance(const Padded& padded, CfaPattern pattern, const SiteGains& gains,
                       PlaneView<float> planes[3]) {
  bilinear(means, padded, pattern, planes);
  const Rect& target = padded.target;
  for (std::size_t p = 0; p < 3; ++p) {
    for (int y = 0; y < target.height(); ++y) {
      const auto row = planes[p].row(y);
      for (int x = 0; x < target.width(); ++x) {
        const auto site =
            static_cast<std::size_t>(((target.x0 + x) & 1) + 2 * ((target.y0 + y) & 1));
        row[static_cast<std::size_t>(x)] *= static_cast<float>(gains[p][site]);
      }
    }
  }
}

constexpr int keeping_reach = 2;  // of the smoothing inside `adaptive`

}  // namespace

void demosaic_band(PlaneView<const float> mosaic, PlaneView<const std::uint8_t> mask,
                   const Rect& region, Size frame, CfaPattern pattern, Demosaic method,
                   const Rect& target, PlaneView<float> planes[3], PlaneView<std::uint8_t> masks[3],
                   const SampleNoise& noise) {
  check(mosaic, region, frame, pattern, method, target);
  if (mask.size() != region.size()) {
    throw Error(ErrorKind::usage, "", "a mask to demosaic differs in size from its band", "");
  }
  const int margin = demosaic_margin(method);
  if (mixes_colours(method)) {
    const Padded padded =
        pad(mosaic, mask, region, frame, target.expand(keeping_reach), margin - keeping_reach);
    adaptive(padded, pattern, method, noise, planes);
    masks_of(padded, keeping_reach, pattern, target, true, masks);
    return;
  }
  const Padded padded = pad(mosaic, mask, region, frame, target, margin);
  if (method == Demosaic::own_lattice) own_lattice(padded, pattern, planes);
  if (method == Demosaic::bilinear) bilinear(means, padded, pattern, planes);
  masks_of(padded, 0, pattern, target, false, masks);
}

void demosaic_variance_band(PlaneView<const float> variance, const Rect& region, Size frame,
                            CfaPattern pattern, Demosaic method, const SiteGains& gains,
                            const Rect& target, PlaneView<float> planes[3]) {
  check(variance, region, frame, pattern, method, target);
  const Padded padded = pad_values(variance, region, frame, target, demosaic_margin(method));
  if (method == Demosaic::own_lattice) {
    own_lattice_variance(padded, pattern, planes);
  } else if (method == Demosaic::bilinear) {
    bilinear(mean_variances, padded, pattern, planes);
  } else {
    adaptive_variance(padded, pattern, gains, planes);
  }
}

}  // namespace coldframe::sensor
