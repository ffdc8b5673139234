#include <cmath>
#include <vector>

#include "align/resample_parts.hpp"
#include "coldframe/align/kernel_weights.hpp"

namespace coldframe::align {
namespace {

// Taps of one axis: first index in the source view, weights normalised to sum 1.
struct Taps {
  int first = 0;
  std::vector<float> weights;
  std::vector<double> exact;
  int near_first = 0, near_last = 0;  // taps whose stretched distance is below 2
};

void set_taps(Taps& taps, Kernel kernel, double s, double stretch, int held0, int held1,
              int origin) {
  const int first = std::max(held0, first_tap(s, stretch));
  const int last = std::min(held1 - 1, last_tap(s, stretch));
  taps.first = first - origin;
  const auto count = static_cast<std::size_t>(last - first + 1);
  taps.exact.resize(count);
  taps.weights.resize(count);
  stretched_weights(kernel, s, stretch, first, last - first + 1, taps.exact.data());
  for (std::size_t k = 0; k < count; ++k) taps.weights[k] = static_cast<float>(taps.exact[k]);
  taps.near_first = std::max(0, static_cast<int>(std::floor(s - 2.0 * stretch)) + 1 - first);
  taps.near_last =
      std::min(last - first, static_cast<int>(std::ceil(s + 2.0 * stretch)) - 1 - first);
}

float stretched_pixel(const ResampleJob& job, const Taps& tx, const Taps& ty) noexcept {
  float value = 0.0F, lowest = 0.0F, highest = 0.0F;
  bool first = true;
  for (int j = 0; j < static_cast<int>(ty.weights.size()); ++j) {
    const float* samples = job.source.row(ty.first + j).data() + tx.first;
    float across = 0.0F;
    for (std::size_t k = 0; k < tx.weights.size(); ++k) across += tx.weights[k] * samples[k];
    value += ty.weights[static_cast<std::size_t>(j)] * across;
    if (j < ty.near_first || j > ty.near_last) continue;
    for (int k = tx.near_first; k <= tx.near_last; ++k) {
      lowest = first || samples[k] < lowest ? samples[k] : lowest;
      highest = first || highest < samples[k] ? samples[k] : highest;
      first = false;
    }
  }
  const auto guard = static_cast<float>(job.options.guard);
  if (guard < 0.0F) return value;
  const float floor = lowest - guard * (highest - lowest);
  return value < floor ? floor : value;
}

}  // namespace

void resample_stretched(const ResampleJob& job, const Transform& sub_to_reference, double factor) {
  InverseGrid grid(sub_to_reference, job.destination);
  const MaskSummary summary(job.source_mask);
  const Rect held = job.region.intersect(whole(job.sub));
  const auto width = static_cast<std::size_t>(job.destination.width());
  std::vector<double> sx(width), sy(width), area(width);
  Taps tx, ty;
  for (int row = 0; row < job.destination.height(); ++row) {
    grid.row(job.destination.x0, job.destination.y0 + row, job.destination.width(), sx.data(),
             sy.data(), area.data());
    float* out = job.values.row(row).data();
    std::uint8_t* bits = job.mask.row(row).data();
    for (std::size_t i = 0; i < width; ++i) {
      out[i] = 0.0F;
      bits[i] = mask_bit::outside;
      if (!inside(sx[i], sy[i], job.sub)) continue;
      set_taps(tx, job.options.kernel, sx[i], factor, held.x0, held.x1, job.region.x0);
      set_taps(ty, job.options.kernel, sy[i], factor, held.y0, held.y1, job.region.y0);
      out[i] = stretched_pixel(job, tx, ty) * static_cast<float>(area[i]);
      bits[i] = summary.clean()
                    ? std::uint8_t{0}
                    : weighted_mask(job.source_mask, tx.first, ty.first, tx.weights.data(),
                                    static_cast<int>(tx.weights.size()), ty.weights.data(),
                                    static_cast<int>(ty.weights.size()), job.options.mask_share);
    }
  }
}

}  // namespace coldframe::align
