#include "coldframe/align/resample.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "align/mapped_bounds.hpp"
#include "align/resample_parts.hpp"
#include "coldframe/align/kernel_weights.hpp"
#include "coldframe/core/error.hpp"

namespace coldframe::align {
namespace {

Point middle_of(Size sub) noexcept { return {0.5 * (sub.width - 1), 0.5 * (sub.height - 1)}; }

}  // namespace

double source_scale(const Transform& sub_to_reference, Point source) noexcept {
  const double area = sub_to_reference.source_area(source);
  return area > 0.0 && std::isfinite(area) ? std::sqrt(area) : 1.0;
}

double stretch_factor(const Transform& sub_to_reference, Point source) noexcept {
  const double scale = source_scale(sub_to_reference, source);
  return scale > stretch_threshold ? scale : 1.0;
}

Rect source_region(const Transform& sub_to_reference, const Rect& destination, Size sub,
                   Kernel /*kernel: all use the same six taps*/) {
  if (destination.empty() || sub.width <= 0 || sub.height <= 0) return {};
  const MappedBounds b = mapped_bounds(sub_to_reference, destination);
  const double stretch = stretch_factor(sub_to_reference, middle_of(sub));
  const double margin = std::ceil(taps_after * stretch) + 2.0;
  return region_of(b, margin, sub);
}

void resample(PlaneView<const float> source, PlaneView<const std::uint8_t> source_mask,
              const Rect& region, Size sub, const Transform& sub_to_reference,
              const Rect& destination, PlaneView<float> values, PlaneView<std::uint8_t> mask,
              const ResampleOptions& options) {
  if (source.size() != region.size() || source_mask.size() != region.size() ||
      values.size() != destination.size() || mask.size() != destination.size()) {
    if (!(region.empty() && source.empty())) {
      throw Error(ErrorKind::usage, "", "the sizes of a resampling contradict each other", "");
    }
  }
  const Rect needed = source_region(sub_to_reference, destination, sub, options.kernel);
  if (needed.empty() || region.empty()) {
    for (int y = 0; y < values.height(); ++y) {
      std::ranges::fill(values.row(y), 0.0F);
      std::ranges::fill(mask.row(y), mask_bit::outside);
    }
    return;
  }
  if (!region.contains(needed)) {
    throw Error(ErrorKind::usage, "", "a resampling was given too small a piece of its source",
                "ask source_region for the piece");
  }
  const ResampleJob job{source, source_mask, region, sub, destination, values, mask, options};
  const double stretch = stretch_factor(sub_to_reference, middle_of(sub));
  if (stretch > 1.0) {
    resample_stretched(job, sub_to_reference, stretch);
  } else {
    resample_general(job, sub_to_reference);
  }
}

double noise_gain(const Transform& sub_to_reference, Point destination, Kernel kernel) {
  const Point source = InverseGrid(sub_to_reference, {}).at(destination);
  if (!std::isfinite(source.x) || !std::isfinite(source.y)) return 0.0;
  const double stretch = stretch_factor(sub_to_reference, source);
  const auto axis = [&](double s) {
    std::vector<double> weights(tap_count);
    if (stretch > 1.0) {
      const int first = first_tap(s, stretch);
      weights.resize(static_cast<std::size_t>(last_tap(s, stretch) - first + 1));
      stretched_weights(kernel, s, stretch, first, static_cast<int>(weights.size()),
                        weights.data());
    } else {
      exact_weights(kernel, s - std::floor(s), weights.data());
    }
    double squares = 0.0;
    for (const double weight : weights) squares += weight * weight;
    return squares;
  };
  return axis(source.x) * axis(source.y);
}

}  // namespace coldframe::align
