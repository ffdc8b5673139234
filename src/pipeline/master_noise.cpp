#include "pipeline/master_noise.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/stack/combine.hpp"

namespace coldframe::pipeline {
namespace {

/// The masters of one calibration as their noise goes in.
struct Shares {
  const sensor::Master* base = nullptr;  ///< dark, or bias alone
  const sensor::Master* bias = nullptr;  ///< beside a scaled dark
  const sensor::Master* flat = nullptr;
  double scale = 1.0;
  double scale_error = 0.0;  ///< relative

  explicit Shares(const CalibrationInputs& in)
      : base(in.dark != nullptr ? in.dark : in.bias), flat(in.flat) {
    if (in.dark != nullptr && in.bias != nullptr && in.dark_scale != 1.0) {
      bias = in.bias;
      scale = in.dark_scale;
      scale_error = in.dark_scale_error;
    }
  }

  /// Of bias + scale (dark - bias): the bias is in it (1 - scale) times.
  [[nodiscard]] double subtracted(int x, int y) const noexcept {
    const auto own = static_cast<double>(base->variance(x, y));
    if (bias == nullptr) return own;
    const double doubt =
        scale_error * scale * static_cast<double>(base->value(x, y) - bias->value(x, y));
    return scale * scale * own + doubt * doubt +
           (1.0 - scale) * (1.0 - scale) * static_cast<double>(bias->variance(x, y));
  }

  /// Of one raw frame in the dark. The variance of a mean of n frames times n is that of one; what
  /// a dark has beyond a bias is dark current, which grows with the exposure.
  [[nodiscard]] double dark_frame(int x, int y) const noexcept {
    const double own = static_cast<double>(base->variance(x, y)) * base->frames;
    if (bias == nullptr) return own;
    const double still = static_cast<double>(bias->variance(x, y)) * bias->frames;
    return still + scale * std::max(own - still, 0.0);
  }

  [[nodiscard]] double flat_relative(int x, int y) const noexcept {
    const auto value = static_cast<double>(flat->value(x, y));
    if (!(value > static_cast<double>(least_flat))) return 0.0;
    return static_cast<double>(flat->variance(x, y)) / (value * value);
  }
};

/// Mean of `variance` over the good pixels of each block.
template <typename Variance>
Grid<float> block_means(const Calibration& calibration, Size frame, Threads threads,
                        const Variance& variance) {
  constexpr int block = stack::block_px;
  Grid<float> means((frame.width + block - 1) / block, (frame.height + block - 1) / block);
  parallel_bands(threads, means.height(), 1, [&](int j0, int j1) {
    for (int j = j0; j < j1; ++j) {
      for (int i = 0; i < means.width(); ++i) {
        const Rect cell =
            Rect{i * block, j * block, (i + 1) * block, (j + 1) * block}.intersect(whole(frame));
        double sum = 0.0;
        std::int64_t count = 0;
        for (int y = cell.y0; y < cell.y1; ++y) {
          for (int x = cell.x0; x < cell.x1; ++x) {
            const double v = variance(x, y);
            if (calibration.defects(x, y) != 0 || !std::isfinite(v)) continue;
            sum += v;
            ++count;
          }
        }
        means(i, j) = count > 0 ? static_cast<float>(sum / static_cast<double>(count)) : 0.0F;
      }
    }
  });
  return means;
}

template <typename Variance>
Grid<float> plane_of(Size frame, Threads threads, const Variance& variance) {
  Grid<float> plane(frame);
  parallel_bands(threads, frame.height, 64, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      for (int x = 0; x < frame.width; ++x) {
        const double v = variance(x, y);
        plane(x, y) = std::isfinite(v) ? static_cast<float>(v) : 0.0F;
      }
    }
  });
  return plane;
}

double block_value(const Grid<float>& blocks, double x, double y) noexcept {
  if (blocks.empty()) return 0.0;
  const int i = std::clamp(static_cast<int>(x) / stack::block_px, 0, blocks.width() - 1);
  const int j = std::clamp(static_cast<int>(y) / stack::block_px, 0, blocks.height() - 1);
  return static_cast<double>(blocks(i, j));
}

}  // namespace

void fill_noise_planes(const CalibrationInputs& in, Calibration& out, Threads threads) {
  const Shares shares(in);
  out.dark_frame_variance = in.frame_noise_adu * in.frame_noise_adu;
  if (!in.keep_variance) return;
  if (shares.base != nullptr) {
    out.noise.subtract =
        plane_of(in.frame, threads, [&](int x, int y) { return shares.subtracted(x, y); });
    // A master without its own noise (somebody else's file) says nothing of a frame's.
    if (in.frame_noise_adu > 0.0 && shares.base->noise_adu > 0.0) {
      out.noise.dark_frame =
          plane_of(in.frame, threads, [&](int x, int y) { return shares.dark_frame(x, y); });
    }
  }
  if (shares.flat != nullptr) {
    out.noise.flat =
        plane_of(in.frame, threads, [&](int x, int y) { return shares.flat_relative(x, y); });
  }
}

void fill_noise_blocks(const CalibrationInputs& in, Calibration& out, Threads threads) {
  const Shares shares(in);
  if (shares.base != nullptr) {
    out.subtract_variance =
        block_means(out, in.frame, threads, [&](int x, int y) { return shares.subtracted(x, y); });
  }
  if (shares.flat != nullptr) {
    out.flat_variance = block_means(out, in.frame, threads,
                                    [&](int x, int y) { return shares.flat_relative(x, y); });
  }
}

double Calibration::shared_variance_at(double x, double y, double value) const noexcept {
  const double per_adu = static_cast<double>(constant_multiply) * inverse_flat_at(x, y);
  return block_value(subtract_variance, x, y) * per_adu * per_adu +
         block_value(flat_variance, x, y) * value * value;
}

}  // namespace coldframe::pipeline
