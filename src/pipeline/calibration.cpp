#include "coldframe/pipeline/calibration.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/pipeline/calibrated_band.hpp"
#include "coldframe/pipeline/pixel_calibration.hpp"
#include "coldframe/sensor/defects.hpp"
#include "coldframe/stack/combine.hpp"
#include "pipeline/master_noise.hpp"

namespace coldframe::pipeline {
namespace {

void fill_subtract(const CalibrationInputs& in, Calibration& out, Threads threads) {
  out.constant_subtract = static_cast<float>(in.constant_subtract);
  const sensor::Master* base = in.dark != nullptr ? in.dark : in.bias;
  if (base == nullptr) return;
  out.subtract = Grid<float>(in.frame);
  const bool scaled = in.dark != nullptr && in.bias != nullptr && in.dark_scale != 1.0;
  const auto factor = static_cast<float>(in.dark_scale);
  parallel_bands(threads, in.frame.height, 64, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      const auto to = out.subtract.row(y);
      const auto from = base->value.row(y);
      if (!scaled) {
        std::copy(from.begin(), from.end(), to.begin());
        continue;
      }
      const auto bias = in.bias->value.row(y);
      for (std::size_t x = 0; x < to.size(); ++x) to[x] = bias[x] + (from[x] - bias[x]) * factor;
    }
  });
}

void fill_multiply(const CalibrationInputs& in, Calibration& out, Threads threads) {
  const float gain = in.gain_e_per_adu > 0.0 ? static_cast<float>(in.gain_e_per_adu) : 1.0F;
  out.constant_multiply = gain;
  if (in.flat == nullptr) return;
  out.multiply = Grid<float>(in.frame);
  parallel_bands(threads, in.frame.height, 64, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      const auto to = out.multiply.row(y);
      const auto flat = in.flat->value.row(y);
      const auto defects = out.defects.row(y);
      for (std::size_t x = 0; x < to.size(); ++x) {
        const bool usable = flat[x] > least_flat;  // false for NaN too
        to[x] = usable ? gain / flat[x] : gain;
        if (!usable) defects[x] |= mask_bit::defect;
      }
    }
  });
}

float mean_inverse(PlaneView<const float> cell) {
  double sum = 0.0;
  std::int64_t count = 0;
  for (int y = 0; y < cell.height(); ++y) {
    for (const float flat : cell.row(y)) {
      if (!(flat > least_flat)) continue;
      sum += 1.0 / static_cast<double>(flat);
      ++count;
    }
  }
  return count > 0 ? static_cast<float>(sum / static_cast<double>(count)) : 1.0F;
}

void fill_inverse_flat(const CalibrationInputs& in, Calibration& out, Threads threads) {
  if (in.flat == nullptr) return;
  constexpr int block = stack::block_px;
  const int columns = (in.frame.width + block - 1) / block;
  const int rows = (in.frame.height + block - 1) / block;
  out.inverse_flat = Grid<float>(columns, rows);
  parallel_bands(threads, rows, 1, [&](int j0, int j1) {
    for (int j = j0; j < j1; ++j) {
      for (int i = 0; i < columns; ++i) {
        const Rect cell{i * block, j * block, (i + 1) * block, (j + 1) * block};
        out.inverse_flat(i, j) =
            mean_inverse(in.flat->value.view().crop(cell.intersect(whole(in.frame))));
      }
    }
  });
}

void mark_defects(const CalibrationInputs& in, Calibration& out, Threads threads) {
  out.defects = Mask(in.frame);
  const sensor::Master* dark = in.dark != nullptr ? in.dark : in.bias;
  const auto none = PlaneView<const float>();
  const auto dark_value = dark != nullptr ? dark->value.cview() : none;
  const auto dark_variance = dark != nullptr ? dark->variance.cview() : none;
  const auto flat_value = in.flat != nullptr ? in.flat->value.cview() : none;
  if (dark != nullptr || in.flat != nullptr) {
    // The counts are shown by the caller from the mask itself.
    static_cast<void>(sensor::find_defects(dark_value, dark_variance, flat_value,
                                           in.frame_noise_adu, in.cfa, sensor::DefectOptions{},
                                           out.defects.view(), threads));
  }
  for (const sensor::Master* master : {dark, in.flat}) {
    if (master == nullptr || master->mask.empty()) continue;
    for (int y = 0; y < in.frame.height; ++y) {
      const auto from = master->mask.row(y);
      const auto to = out.defects.row(y);
      for (std::size_t x = 0; x < to.size(); ++x) {
        if (from[x] != 0) to[x] |= mask_bit::defect;
      }
    }
  }
}

}  // namespace

sensor::CalibrationPlanes Calibration::planes() const noexcept {
  return {subtract.view(),   multiply.view(),   defects.view(),
          constant_subtract, constant_multiply, saturation_adu};
}

double Calibration::inverse_flat_at(double x, double y) const noexcept {
  if (inverse_flat.empty()) return 1.0;
  const int i = std::clamp(static_cast<int>(x) / stack::block_px, 0, inverse_flat.width() - 1);
  const int j = std::clamp(static_cast<int>(y) / stack::block_px, 0, inverse_flat.height() - 1);
  return static_cast<double>(inverse_flat(i, j));
}

double Calibration::electrons_per_unit() const noexcept {
  if (unit == PixelUnit::electron || gain_e_per_adu <= 0.0) return 1.0;
  return gain_e_per_adu;
}

Calibration prepare_pixel_calibration(const CalibrationInputs& in, Threads threads) {
  Calibration out;
  out.cfa = in.cfa;
  out.gain_e_per_adu = in.gain_e_per_adu;
  out.unit = in.gain_e_per_adu > 0.0 ? PixelUnit::electron : PixelUnit::adu;
  out.saturation_adu = static_cast<float>(in.saturation_adu);
  mark_defects(in, out, threads);
  fill_subtract(in, out, threads);
  fill_multiply(in, out, threads);
  fill_noise_planes(in, out, threads);
  return out;
}

Calibration prepare_calibration(const CalibrationInputs& in, Threads threads) {
  Calibration out = prepare_pixel_calibration(in, threads);
  fill_inverse_flat(in, out, threads);
  fill_noise_blocks(in, out, threads);
  return out;
}

void read_calibrated(const PixelSource& raw, const Calibration& calibration, const Rect& rect,
                     PlaneView<float> values, PlaneView<std::uint8_t> mask, int plane,
                     const sensor::LineOffsets* lines, std::span<const stack::HitPixel> particles) {
  // A few rows at a time: what is read stays in the cache until it is copied.
  constexpr int least_rows = 32;
  constexpr int pixels_together = 1 << 18;
  const int rows = std::max(pixels_together / std::max(rect.width(), 1), least_rows);
  CalibratedBand band;
  for (int y0 = rect.y0; y0 < rect.y1; y0 += rows) {
    const Rect part{rect.x0, y0, rect.x1, std::min(y0 + rows, rect.y1)};
    band.read(raw, calibration, part, plane, lines, particles);
    for (int y = 0; y < part.height(); ++y) {
      const auto from = band.values().row(y);
      const auto bits = band.mask().row(y);
      std::copy(from.begin(), from.end(), values.row(y0 - rect.y0 + y).begin());
      std::copy(bits.begin(), bits.end(), mask.row(y0 - rect.y0 + y).begin());
    }
  }
}

}  // namespace coldframe::pipeline
