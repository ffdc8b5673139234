#include <algorithm>
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

// Weights of all taps at fractions of 1/2048 px: linear interpolation errs by some 1e-7 where a
// kernel has no corner (a tent has).
class PhaseTable {
 public:
  PhaseTable(Kernel kernel, double stretch)
      : usable_(kernel != Kernel::bilinear),
        before_(static_cast<int>(std::ceil(taps_after * stretch))),
        taps_(2 * static_cast<std::size_t>(before_) + 2) {
    if (!usable_) return;
    values_.assign((steps + 1) * taps_, 0.0F);
    std::vector<double> exact(taps_);
    for (std::size_t i = 0; i <= steps; ++i) {
      const double t = static_cast<double>(i) / steps;
      const int first = first_tap(t, stretch), count = last_tap(t, stretch) - first + 1;
      stretched_weights(kernel, t, stretch, first, count, exact.data());
      float* row = values_.data() + i * taps_ + (first + before_);
      for (int k = 0; k < count; ++k)
        row[k] = static_cast<float>(exact[static_cast<std::size_t>(k)]);
    }
  }
  [[nodiscard]] bool usable() const noexcept { return usable_; }
  /// Of `count` taps from `first` on, all of them within the kernel's reach of s.
  void weights(double s, int first, int count, float* out) const noexcept {
    const double whole = std::floor(s), at = (s - whole) * steps;
    const auto i = std::min(static_cast<std::size_t>(at), steps - 1);
    const auto share = static_cast<float>(at - static_cast<double>(i));
    const float* low = values_.data() + i * taps_ + (first - static_cast<int>(whole) + before_);
    const float* high = low + taps_;
    for (int k = 0; k < count; ++k) out[k] = low[k] + share * (high[k] - low[k]);
  }

 private:
  static constexpr std::size_t steps = 2048;
  bool usable_;
  int before_;
  std::size_t taps_;
  std::vector<float> values_;
};

struct Stretch {
  Kernel kernel;
  double factor;
  PhaseTable table;
};

void set_taps(Taps& taps, const Stretch& by, double s, int held0, int held1, int origin) {
  const double stretch = by.factor;
  const int first = std::max(held0, first_tap(s, stretch));
  const int last = std::min(held1 - 1, last_tap(s, stretch));
  const bool cut = first > first_tap(s, stretch) || last < last_tap(s, stretch);
  taps.first = first - origin;
  const auto count = static_cast<std::size_t>(last - first + 1);
  taps.weights.resize(count);
  if (by.table.usable() && !cut) {
    by.table.weights(s, first, last - first + 1, taps.weights.data());
  } else {
    taps.exact.resize(count);
    stretched_weights(by.kernel, s, stretch, first, last - first + 1, taps.exact.data());
    for (std::size_t k = 0; k < count; ++k) taps.weights[k] = static_cast<float>(taps.exact[k]);
  }
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
  const Stretch by{job.options.kernel, factor, PhaseTable(job.options.kernel, factor)};
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
      set_taps(tx, by, sx[i], held.x0, held.x1, job.region.x0);
      set_taps(ty, by, sy[i], held.y0, held.y1, job.region.y0);
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
