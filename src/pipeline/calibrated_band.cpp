#include "coldframe/pipeline/calibrated_band.hpp"

#include <algorithm>

#include "coldframe/sensor/bleeding.hpp"
#include "coldframe/sensor/defects.hpp"

namespace coldframe::pipeline {
namespace {

constexpr float least_bleed = 0.1F;  // of saturation: far above any sky that is worth combining
constexpr std::uint8_t repaired = mask_bit::defect | mask_bit::not_finite | mask_bit::cosmic_ray;

void mark_particles(std::span<const stack::HitPixel> particles, const Rect& area,
                    PlaneView<std::uint8_t> mask) {
  const auto before = [](const stack::HitPixel& p, int y) { return p.y < y; };
  auto p = std::lower_bound(particles.begin(), particles.end(), area.y0, before);
  for (; p != particles.end() && p->y < area.y1; ++p) {
    if (p->x >= area.x0 && p->x < area.x1) {
      mask(p->x - area.x0, p->y - area.y0) |= mask_bit::cosmic_ray;
    }
  }
}

unsigned bits_in(PlaneView<const std::uint8_t> mask) noexcept {
  unsigned seen = 0;
  for (int y = 0; y < mask.height(); ++y) {
    for (const std::uint8_t b : mask.row(y)) seen |= b;
  }
  return seen;
}

}  // namespace

void CalibratedBand::read(const PixelSource& raw, const Calibration& calibration, const Rect& rect,
                          int plane, const sensor::LineOffsets* lines,
                          std::span<const stack::HitPixel> particles) {
  const Rect wide =
      rect.expand(sensor::repair_margin(calibration.cfa)).intersect(whole(raw.size()));
  const auto count = static_cast<std::size_t>(wide.size().count());
  const PlaneView<float> pixels(pixels_.of(count), wide.width(), wide.height(), wide.width());
  const PlaneView<std::uint8_t> bits(bits_.of(count), wide.width(), wide.height(), wide.width());
  raw.fill(plane, wide, pixels);
  sensor::calibrate_band(pixels, wide, calibration.planes(), bits);
  if (lines != nullptr && !lines->empty()) {
    sensor::subtract_line_offsets(pixels, wide, *lines, calibration.multiply.view(),
                                  calibration.constant_multiply);
  }
  mark_particles(particles, wide, bits);
  const unsigned seen = bits_in(bits);
  if ((seen & mask_bit::saturated) != 0) {
    const float least = least_bleed * calibration.saturation_adu * calibration.constant_multiply;
    sensor::mark_bleed_ends(pixels, calibration.cfa, least, bits);
  }
  if ((seen & repaired) != 0) {
    sensor::repair_in_place(pixels, bits, repaired, calibration.cfa, wide.x0, wide.y0);
  }
  const Rect inner{rect.x0 - wide.x0, rect.y0 - wide.y0, rect.x1 - wide.x0, rect.y1 - wide.y0};
  values_ = PlaneView<const float>(pixels).crop(inner);
  mask_ = PlaneView<const std::uint8_t>(bits).crop(inner);
}

}  // namespace coldframe::pipeline
