#include "coldframe/pipeline/calibrated_noise.hpp"

#include <algorithm>

#include "coldframe/pipeline/calibrated_band.hpp"
#include "pipeline/error_kernel.hpp"

namespace coldframe::pipeline {
namespace {

const float* row_of(const Grid<float>& plane, int x0, int y) noexcept {
  return plane.empty() ? nullptr : plane.row(y).data() + x0;
}

detail::ErrorRow masters_of(const Calibration& c, int x0, int y) noexcept {
  detail::ErrorRow row;
  row.multiply = row_of(c.multiply, x0, y);
  row.dark = row_of(c.noise.dark_frame, x0, y);
  row.subtract = row_of(c.noise.subtract, x0, y);
  row.flat = row_of(c.noise.flat, x0, y);
  row.constant_multiply = c.constant_multiply;
  row.constant_dark = static_cast<float>(c.dark_frame_variance);
  row.adu_per_e = c.gain_e_per_adu > 0.0 ? static_cast<float>(1.0 / c.gain_e_per_adu) : 1.0F;
  return row;
}

}  // namespace

void CalibratedBand::read_with_error(const PixelSource& raw, const Calibration& calibration,
                                     const Rect& rect, int plane) {
  const int step = calibration.cfa == CfaPattern::none ? 1 : 2;
  const Rect wide = rect.expand(step).intersect(whole(raw.size()));
  read(raw, calibration, wide, plane);
  const auto width = static_cast<std::size_t>(wide.width());
  const auto rows = static_cast<std::size_t>(wide.height());
  // Sums of every row's neighbours, then their counts; at last a row of zeros for what lies
  // outside.
  float* const sums = sums_.of((2 * rows + 1) * width);
  float* const counts = sums + rows * width;
  float* const zeros = counts + rows * width;
  std::fill_n(zeros, width, 0.0F);
  for (std::size_t y = 0; y < rows; ++y) {
    const int v = static_cast<int>(y);
    detail::sum_neighbours(values_.row(v).data(), mask_.row(v).data(), width, step,
                           sums + y * width, counts + y * width);
  }
  const auto out_width = static_cast<std::size_t>(rect.width());
  float* const errors = errors_.of(out_width * static_cast<std::size_t>(rect.height()));
  const int left = rect.x0 - wide.x0;
  const int below = rect.y0 - wide.y0;
  for (int y = 0; y < rect.height(); ++y) {
    detail::ErrorRow row = masters_of(calibration, rect.x0, rect.y0 + y);
    row.values = values_.row(y + below).data() + left;
    for (int k = 0; k < 3; ++k) {
      const int v = y + below + (k - 1) * step;
      const bool inside = v >= 0 && v < wide.height();
      const auto at = static_cast<std::size_t>(std::max(v, 0)) * width;
      row.sums[k] = (inside ? sums + at : zeros) + left;
      row.counts[k] = (inside ? counts + at : zeros) + left;
    }
    detail::error_row(row, errors + static_cast<std::size_t>(y) * out_width, out_width);
  }
  const Rect inner{left, below, left + rect.width(), below + rect.height()};
  values_ = values_.crop(inner);
  mask_ = mask_.crop(inner);
  error_ = PlaneView<const float>(errors, rect.width(), rect.height(), rect.width());
}

void read_calibrated_with_error(const PixelSource& raw, const Calibration& calibration,
                                const Rect& rect, PlaneView<float> values,
                                PlaneView<std::uint8_t> mask, PlaneView<float> error, int plane) {
  CalibratedBand band;
  band.read_with_error(raw, calibration, rect, plane);
  for (int y = 0; y < rect.height(); ++y) {
    std::copy(band.values().row(y).begin(), band.values().row(y).end(), values.row(y).begin());
    std::copy(band.mask().row(y).begin(), band.mask().row(y).end(), mask.row(y).begin());
    std::copy(band.error().row(y).begin(), band.error().row(y).end(), error.row(y).begin());
  }
}

}  // namespace coldframe::pipeline
