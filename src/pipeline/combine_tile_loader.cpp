#include "combine_tile_loader.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/chebyshev.hpp"

namespace coldframe::pipeline {
namespace {

void mark_outside(std::span<const PlaneView<float>> values,
                  std::span<const PlaneView<std::uint8_t>> masks) {
  for (std::size_t p = 0; p < values.size(); ++p) {
    for (int y = 0; y < values[p].height(); ++y) {
      std::fill(values[p].row(y).begin(), values[p].row(y).end(), 0.0F);
      std::fill(masks[p].row(y).begin(), masks[p].row(y).end(), mask_bit::outside);
    }
  }
}

// value = scale * value + surface. A row of the surface has the same bits however it is cut.
void normalise(const CombineSub& sub, int plane, const Rect& tile, PlaneView<float> values) {
  const auto scale = static_cast<float>(sub.scale);
  ChebyshevSurface surface;
  if (!sub.surfaces.empty()) {
    const auto& added = sub.surfaces[static_cast<std::size_t>(plane)];
    surface = {added.frame, added.order, added.coefficients};
  }
  std::vector<float> level(static_cast<std::size_t>(tile.width()));
  for (int y = 0; y < tile.height(); ++y) {
    if (!surface.coefficients.empty()) {
      surface.evaluate_row(tile.x0, tile.y0 + y, std::span<float>(level));
    }
    const auto row = values.row(y);
    for (std::size_t x = 0; x < row.size(); ++x) row[x] = scale * row[x] + level[x];
  }
}

struct Planes {
  std::vector<Grid<float>> values;
  std::vector<Mask> masks;
};

// Calibrated source pixels of `region`, one plane per plane of the result.
Planes source_planes(const PixelSource& raw, const CombineSub& sub, const CombineSettings& settings,
                     const Rect& region) {
  Planes out;
  const Calibration& calibration = *sub.calibration;
  if (calibration.cfa == CfaPattern::none) {
    for (int p = 0; p < settings.planes; ++p) {
      out.values.emplace_back(region.size());
      out.masks.emplace_back(region.size());
      read_calibrated(raw, calibration, region, out.values.back().view(), out.masks.back().view(),
                      p, sub.lines);
    }
    return out;
  }
  const Rect wide = region.expand(sensor::demosaic_margin).intersect(whole(raw.size()));
  Grid<float> mosaic(wide.size());
  Mask bits(wide.size());
  read_calibrated(raw, calibration, wide, mosaic.view(), bits.view(), 0, sub.lines);
  PlaneView<float> planes[3];
  PlaneView<std::uint8_t> masks[3];
  for (int p = 0; p < 3; ++p) {
    out.values.emplace_back(region.size());
    out.masks.emplace_back(region.size());
    planes[p] = out.values.back().view();
    masks[p] = out.masks.back().view();
  }
  sensor::demosaic_band(mosaic.cview(), bits.cview(), wide, raw.size(), calibration.cfa,
                        settings.demosaic, region, planes, masks);
  return out;
}

void copy_plane(const Planes& source, std::size_t p, PlaneView<float> values,
                PlaneView<std::uint8_t> mask) {
  for (int y = 0; y < values.height(); ++y) {
    const auto from = source.values[p].row(y);
    const auto bits = source.masks[p].row(y);
    std::copy(from.begin(), from.end(), values.row(y).begin());
    std::copy(bits.begin(), bits.end(), mask.row(y).begin());
  }
}

}  // namespace

bool lies_in_frame(const ChannelSky& sky, Point in_sub) noexcept {
  const Size frame = sky.mesh.frame;
  return in_sub.x >= 0.0 && in_sub.y >= 0.0 &&
         in_sub.x <= static_cast<double>(frame.width) * sky.step - 1.0 &&
         in_sub.y <= static_cast<double>(frame.height) * sky.step - 1.0;
}

bool phase_is_smooth(const Transform& transform) noexcept {
  const auto& m = transform.matrix;
  // Drift of the phase over one block, in pixels.
  const double turn = std::max(std::fabs(m[1]), std::fabs(m[3]));
  const double stretch =
      std::max(std::fabs(std::fabs(m[0]) - 1.0), std::fabs(std::fabs(m[4]) - 1.0));
  return !transform.polynomial && std::max(turn, stretch) * stack::block_px < 0.25;
}

void load_sub_tile(const CombineSub& sub, const CombineSettings& settings, const Rect& tile,
                   std::span<const PlaneView<float>> values,
                   std::span<const PlaneView<std::uint8_t>> masks) {
  const auto raw = sub.open();
  const Size frame = raw->size();
  const Rect region = settings.identity ? tile.intersect(whole(frame))
                                        : align::source_region(sub.transform, tile, frame,
                                                               settings.resample.kernel);
  if (region.empty() || (settings.identity && region != tile)) {
    mark_outside(values, masks);
    return;
  }
  const Planes source = source_planes(*raw, sub, settings, region);
  for (std::size_t p = 0; p < values.size(); ++p) {
    if (settings.identity) {
      copy_plane(source, p, values[p], masks[p]);
    } else {
      align::resample(source.values[p].cview(), source.masks[p].cview(), region, frame,
                      sub.transform, tile, values[p], masks[p], settings.resample);
    }
    normalise(sub, static_cast<int>(p), tile, values[p]);
    if (!sub.trails.empty()) stack::mask_trails(sub.trails, tile, masks[p]);
  }
}

void fill_coefficients(const CombineSub& sub, const CombineSettings& settings, const Rect& tile,
                       int plane, double gain, std::span<stack::BlockCoefficients> out) {
  constexpr int block = stack::block_px;
  const auto& sky = (*sub.sky)[static_cast<std::size_t>(plane)];
  std::size_t k = 0;
  for (int j = tile.y0 / block; j <= (tile.y1 - 1) / block; ++j) {
    for (int i = tile.x0 / block; i <= (tile.x1 - 1) / block; ++i, ++k) {
      const Point centre{(i + 0.5) * block - 0.5, (j + 0.5) * block - 0.5};
      const Point at = settings.identity ? centre : sub.transform.unapply(centre);
      const double area = settings.identity ? 1.0 : sub.transform.source_area(at);
      // The phase is that of a pixel: the middle of an even block lies between pixels.
      const Point pixel{std::floor(centre.x), std::floor(centre.y)};
      const double spread =
          gain >= 0.0 ? gain : align::noise_gain(sub.transform, pixel, settings.resample.kernel);
      const double noise = sky.noise_at(at.x, at.y);
      const double factor = sub.scale * area;
      const double per_unit =
          sub.calibration->inverse_flat_at(at.x, at.y) / sub.calibration->electrons_per_unit();
      const double added = sub.surfaces.empty() ? 0.0
                                                : sub.surfaces[static_cast<std::size_t>(plane)].at(
                                                      centre.x, centre.y);
      auto& c = out[k];
      c.weight = static_cast<float>(sub.weights[static_cast<std::size_t>(plane)]);
      c.constant = static_cast<float>(factor * factor * spread * noise * noise);
      c.slope = static_cast<float>(factor * spread * per_unit);
      // The measured noise holds at the sky's own level: signal counts from there.
      c.pedestal = static_cast<float>(factor * sky.level_at(at.x, at.y) + added);
    }
  }
}

}  // namespace coldframe::pipeline
