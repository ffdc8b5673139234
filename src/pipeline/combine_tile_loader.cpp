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
void normalise(const CombineSub& sub, int plane, const Rect& tile, float area,
               PlaneView<float> values) {
  const float scale = area * static_cast<float>(sub.scale);
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

/// Calibrated pixels of a part of a sub: one plane per plane of the result, on the sub's own grid
/// or on that of its half-size pixels.
struct SourcePart {
  Size frame;   ///< of the whole grid
  Rect region;  ///< the part that is there
  std::vector<Grid<float>> values;
  std::vector<Mask> masks;
  std::vector<Transform> to_canvas;  ///< per plane
  float area = 1.0F;                 ///< sub pixels per pixel here
  int reach = 0;                     ///< `CombineSub::saturation_reach_px` in pixels here
};

void make_planes(SourcePart& part, int planes) {
  for (int p = 0; p < planes; ++p) {
    part.values.emplace_back(part.region.size());
    part.masks.emplace_back(part.region.size());
  }
}

// Where the tile's pixels lie on the sub; empty when nowhere.
Rect wanted_region(const SourcePart& part, const CombineSettings& settings, const Rect& tile) {
  if (settings.identity) return tile.intersect(whole(part.frame));
  Rect region;
  for (const auto& transform : part.to_canvas) {
    const Rect one = align::source_region(transform, tile, part.frame, settings.resample.kernel);
    if (one.empty()) continue;
    region = region.empty() ? one
                            : Rect{std::min(region.x0, one.x0), std::min(region.y0, one.y0),
                                   std::max(region.x1, one.x1), std::max(region.y1, one.y1)};
  }
  return region.empty() ? region : region.expand(part.reach).intersect(whole(part.frame));
}

void fill_apart(const PixelSource& raw, const CombineSub& sub, SourcePart& part) {
  for (std::size_t p = 0; p < part.values.size(); ++p) {
    read_calibrated(raw, *sub.calibration, part.region, part.values[p].view(), part.masks[p].view(),
                    static_cast<int>(p), sub.lines, sub.particles);
  }
}

void fill_mosaic(const PixelSource& raw, const CombineSub& sub, const CombineSettings& settings,
                 SourcePart& part) {
  const Calibration& calibration = *sub.calibration;
  const bool half = settings.demosaic == sensor::Demosaic::half_size;
  const Rect& region = part.region;
  const Rect wide =
      half ? Rect{2 * region.x0, 2 * region.y0, 2 * region.x1, 2 * region.y1}
           : region.expand(sensor::demosaic_margin(settings.demosaic)).intersect(whole(raw.size()));
  Grid<float> mosaic(wide.size());
  Mask bits(wide.size());
  read_calibrated(raw, calibration, wide, mosaic.view(), bits.view(), 0, sub.lines, sub.particles);
  PlaneView<float> planes[3];
  PlaneView<std::uint8_t> masks[3];
  for (std::size_t p = 0; p < 3; ++p) {
    planes[p] = part.values[p].view();
    masks[p] = part.masks[p].view();
  }
  if (half) {
    sensor::half_size_band(mosaic.cview(), bits.cview(), wide, calibration.cfa, region, planes,
                           masks);
  } else {
    sensor::demosaic_band(mosaic.cview(), bits.cview(), wide, raw.size(), calibration.cfa,
                          settings.demosaic, region, planes, masks, sample_noise(sub));
  }
}

// Calibrated source pixels that `tile` needs; an empty region when it needs none.
SourcePart source_part(const PixelSource& raw, const CombineSub& sub,
                       const CombineSettings& settings, const Rect& tile) {
  SourcePart part;
  const bool mosaic = sub.calibration->cfa != CfaPattern::none;
  const bool half = mosaic && settings.demosaic == sensor::Demosaic::half_size;
  part.frame = half ? sensor::half_size_of(raw.size()) : raw.size();
  part.area = half ? 4.0F : 1.0F;
  if (!settings.identity) part.reach = sub.saturation_reach_px / (half ? 2 : 1);
  for (int p = 0; p < settings.planes; ++p) {
    const auto& offset = sub.plane_offset[static_cast<std::size_t>(p)];
    if (half) {
      part.to_canvas.push_back(
          lattice_transform(sub.transform, 2.0, sensor::half_size_sample(sub.calibration->cfa, p)));
    } else if (!mosaic && (offset.x != 0.0 || offset.y != 0.0)) {
      part.to_canvas.push_back(lattice_transform(sub.transform, 1.0, offset));
    } else {
      part.to_canvas.push_back(sub.transform);
    }
  }
  part.region = wanted_region(part, settings, tile);
  if (part.region.empty()) return part;
  make_planes(part, settings.planes);
  if (mosaic) {
    fill_mosaic(raw, sub, settings, part);
  } else {
    fill_apart(raw, sub, part);
  }
  return part;
}

/// Marks what lies within `reach` of a saturated pixel, itself included, as no limit of anything.
void leave_to_shorter(PlaneView<std::uint8_t> mask, int reach) {
  std::vector<Point> full;
  for (int y = 0; y < mask.height(); ++y) {
    const auto row = mask.row(y);
    for (std::size_t x = 0; x < row.size(); ++x) {
      const bool pure = (row[x] & (mask_bit::saturated | mask_bit::defect)) == mask_bit::saturated;
      if (pure) full.push_back({static_cast<double>(x), static_cast<double>(y)});
    }
  }
  for (const Point& at : full) {
    const int x = static_cast<int>(at.x), y = static_cast<int>(at.y);
    for (int v = std::max(y - reach, 0); v <= std::min(y + reach, mask.height() - 1); ++v) {
      const int half = static_cast<int>(std::sqrt(reach * reach - (v - y) * (v - y)));
      const auto row = mask.row(v);
      for (int u = std::max(x - half, 0); u <= std::min(x + half, mask.width() - 1); ++u) {
        row[static_cast<std::size_t>(u)] |= mask_bit::saturated | mask_bit::defect;
      }
    }
  }
}

void copy_plane(const SourcePart& source, std::size_t p, PlaneView<float> values,
                PlaneView<std::uint8_t> mask) {
  for (int y = 0; y < values.height(); ++y) {
    const auto from = source.values[p].row(y);
    const auto bits = source.masks[p].row(y);
    std::copy(from.begin(), from.end(), values.row(y).begin());
    std::copy(bits.begin(), bits.end(), mask.row(y).begin());
  }
}

}  // namespace

Transform lattice_transform(const Transform& full, double step, Point offset) {
  Transform plain = full;
  plain.polynomial.reset();
  Transform lattice = Transform::affine(step, 0.0, offset.x, 0.0, step, offset.y).then(plain);
  lattice.model = full.model;
  if (full.polynomial) {
    // u = (step i + offset - centre) / scale, written anew in i.
    lattice.polynomial = full.polynomial;
    auto& p = *lattice.polynomial;
    p.centre = {(p.centre.x - offset.x) / step, (p.centre.y - offset.y) / step};
    p.scale /= step;
  }
  return lattice;
}

sensor::SampleNoise sample_noise(const CombineSub& sub) {
  sensor::SampleNoise noise;
  if (sub.sky == nullptr || sub.sky->size() < 3) return noise;
  for (std::size_t c = 0; c < 3; ++c) {
    const double sd = (*sub.sky)[c].mesh.median_noise();
    noise.variance[c] = static_cast<float>(sd * sd);
    noise.slope[c] = static_cast<float>(1.0 / sub.calibration->electrons_per_unit());
    noise.level[c] = static_cast<float>((*sub.sky)[c].mesh.median_level());
  }
  return noise;
}

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

namespace {

// Planes that lie on the grid already go straight into the tile.
bool load_in_place(const PixelSource& raw, const CombineSub& sub, const CombineSettings& settings,
                   const Rect& tile, std::span<const PlaneView<float>> values,
                   std::span<const PlaneView<std::uint8_t>> masks) {
  if (!settings.identity || sub.calibration->cfa != CfaPattern::none) return false;
  if (!whole(raw.size()).contains(tile)) return false;
  for (std::size_t p = 0; p < values.size(); ++p) {
    read_calibrated(raw, *sub.calibration, tile, values[p], masks[p], static_cast<int>(p),
                    sub.lines, sub.particles);
    normalise(sub, static_cast<int>(p), tile, 1.0F, values[p]);
    if (!sub.trails.empty()) stack::mask_trails(sub.trails, tile, masks[p]);
  }
  return true;
}

}  // namespace

void load_sub_tile(const CombineSub& sub, const CombineSettings& settings, const Rect& tile,
                   std::span<const PlaneView<float>> values,
                   std::span<const PlaneView<std::uint8_t>> masks) {
  const auto raw = sub.open();
  if (load_in_place(*raw, sub, settings, tile, values, masks)) return;
  SourcePart source = source_part(*raw, sub, settings, tile);
  if (source.region.empty() || (settings.identity && source.region != tile)) {
    mark_outside(values, masks);
    return;
  }
  for (std::size_t p = 0; p < values.size(); ++p) {
    if (source.reach > 0) leave_to_shorter(source.masks[p].view(), source.reach);
    if (settings.identity) {
      copy_plane(source, p, values[p], masks[p]);
    } else {
      align::resample(source.values[p].cview(), source.masks[p].cview(), source.region,
                      source.frame, source.to_canvas[p], tile, values[p], masks[p],
                      settings.resample);
    }
    normalise(sub, static_cast<int>(p), tile, source.area, values[p]);
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
