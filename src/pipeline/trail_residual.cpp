#include "trail_residual.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::pipeline::detail {
namespace {

using stack::Trail;

// Neighbouring residuals go together where the seeing changes or the field is crowded: sums
// along short pieces then scatter more than white noise would.
double correlation_of(const Grid<float>& values, const Mask& mask, double noise) {
  constexpr int length = 12;
  const Size size = values.size();
  double factor = 1.0;
  for (const bool turned : {false, true}) {
    std::vector<double> sums;
    const int lines = turned ? size.width : size.height;
    const int along = turned ? size.height : size.width;
    for (int line = 0; line < lines; line += 3) {
      for (int start = 0; start + length <= along; start += length) {
        double sum = 0.0;
        int good = 0;
        for (int k = start; k < start + length; ++k) {
          const int x = turned ? line : k;
          const int y = turned ? k : line;
          if (mask(x, y) != 0) continue;
          sum += static_cast<double>(values(x, y));
          ++good;
        }
        if (good >= length / 2) sums.push_back(sum / (noise * std::sqrt(good)));
      }
    }
    constexpr std::size_t enough = 50;
    // Chance alone makes the larger of the two a little more than one.
    constexpr double chance = 1.02;
    if (sums.size() > enough) factor = std::max(factor, robust_sigma(sums) / chance);
  }
  return factor;
}

double usual_weight(const Grid<float>& weight, const Mask& mask) {
  constexpr int thin = 4;
  std::vector<float> sample;
  for (int j = 0; j < weight.height(); j += thin) {
    for (int i = 0; i < weight.width(); i += thin) {
      if (mask(i, j) == 0) sample.push_back(weight(i, j));
    }
  }
  return sample.empty() ? 1.0 : static_cast<double>(median_in_place(std::span<float>(sample)));
}

// Noise of a sub's parts relative to the whole: a gradient or a vignetted corner changes it.
// Multiplies it into `noise`.
void add_local_noise(const Grid<float>& values, const Mask& mask, Grid<float>& noise) {
  constexpr int cell = smooth_cell;
  const Size size = values.size();
  Grid<float> local((size.width + cell - 1) / cell, (size.height + cell - 1) / cell);
  std::vector<float> all;
  std::vector<float> sample;
  for (int b = 0; b < local.height(); ++b) {
    for (int a = 0; a < local.width(); ++a) {
      sample.clear();
      const Rect part =
          Rect{(a - 1) * cell, (b - 1) * cell, (a + 2) * cell, (b + 2) * cell}.intersect(
              whole(size));
      constexpr int thin = 5;
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0 + (2 * y) % thin; x < part.x1; x += thin) {
          if (mask(x, y) == 0) sample.push_back(std::fabs(values(x, y) / noise(x, y)));
        }
      }
      constexpr std::size_t enough = 200;
      if (sample.size() < enough) continue;
      local(a, b) = median_in_place(std::span<float>(sample));
      all.push_back(local(a, b));
    }
  }
  if (all.empty()) return;
  const float usual = std::max(median_in_place(std::span<float>(all)), 1e-6F);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      const float here = local(x / cell, y / cell);
      if (here > 0.0F) noise(x, y) *= std::clamp(here / usual, 0.5F, 4.0F);
    }
  }
}

// Stars as recorded, and the preview's own pixels.
double focus_width(const SubMeasurement& sub) noexcept {
  constexpr double usual = 1.9;
  constexpr double of_pixel = 0.68;  // 2.35 / sqrt(12)
  const double fwhm = sub.quality.fwhm_px / std::max(sub.preview_bin, 1);
  return fwhm > 0.0 ? std::clamp(std::hypot(fwhm, of_pixel), 1.3, 8.0) : usual;
}

}  // namespace

Compared compare(const SubMeasurement& sub, const Transform& transform, const TrailModel& model,
                 const SubModel& others, const PreviewGrid& canvas) {
  const PreviewGrid own{sub.preview.size(), sub.preview_bin};
  const PositionMesh mesh(own.size, [&](double i, double j) {
    return canvas.from_frame(transform.apply(own.to_frame(i, j)));
  });
  Compared out{
      {sub.preview.clone(), sub.preview_mask.clone(), Grid<float>(own.size), Grid<float>(own.size)},
      Grid<float>(own.size, 1.0F)};
  auto& r = out.residual;
  Grid<float> known(own.size);
  Grid<float> weight(own.size);
  Mask stars(own.size);
  for (int j = 0; j < own.size.height; ++j) {
    for (int i = 0; i < own.size.width; ++i) {
      const auto place = Place::of(mesh.at(i, j));
      if (!place.inside(canvas.size)) {
        r.mask(i, j) |= mask_bit::outside;
        continue;
      }
      const float least = std::min(
          std::min(others.weight(place.x, place.y), others.weight(place.x + 1, place.y)),
          std::min(others.weight(place.x, place.y + 1), others.weight(place.x + 1, place.y + 1)));
      if (!(least > 0.0F)) r.mask(i, j) |= mask_bit::outside;
      r.model(i, j) = place.value(others.full);
      known(i, j) = place.value(others.known);
      weight(i, j) = std::max(least, 1e-3F);
      stars(i, j) = place.bits(model.stars());
      out.noise(i, j) = model.noise()(place.x, place.y);
    }
  }
  const auto scale = static_cast<float>(scale_against(r.values, r.mask, r.model));
  r.model_noise = static_cast<double>(scale) / std::sqrt(usual_weight(weight, r.mask));
  for (int j = 0; j < own.size.height; ++j) {
    for (int i = 0; i < own.size.width; ++i) {
      r.mask(i, j) |= stars(i, j);
      r.values(i, j) -= scale * known(i, j);
      r.hidden(i, j) = scale * (r.model(i, j) - known(i, j));
      // Where the model itself was taken out, its noise came in.
      const float added = known(i, j) == r.model(i, j) ? scale * scale / weight(i, j) : 0.0F;
      r.model(i, j) *= scale;
      out.noise(i, j) *= std::sqrt(1.0F + added);
    }
  }
  r.focus_px = focus_width(sub);
  return out;
}

TrailResidual to_residual(const Compared& compared, std::span<const Trail> known, bool judging) {
  const TrailResidual& from = compared.residual;
  TrailResidual out{from.values.clone(),
                    from.mask.clone(),
                    judging ? from.hidden.clone() : Grid<float>(),
                    judging ? from.model.clone() : Grid<float>(),
                    from.model_noise,
                    from.focus_px};
  Mask beside = from.mask.clone();
  stack::mask_trails(known, whole(beside.size()), beside.view());
  subtract_sky(out.values, beside);
  Grid<float> pixel_noise = compared.noise.clone();
  add_local_noise(out.values, beside, pixel_noise);
  std::vector<double> sample;
  // Known to half a per cent from so many.
  constexpr std::int64_t plenty = 40'000;
  const int thin = std::max(static_cast<int>(out.values.size().count() / plenty), 3);
  for (int j = 0; j < out.values.height(); ++j) {
    for (int i = 0; i < out.values.width(); ++i) out.values(i, j) /= pixel_noise(i, j);
    // Where i + 7 j is a multiple of `thin`.
    for (int i = (thin - 7 * j % thin) % thin; i < out.values.width(); i += thin) {
      if (beside(i, j) == 0) sample.push_back(static_cast<double>(out.values(i, j)));
    }
  }
  constexpr std::size_t enough = 100;
  const double noise = sample.size() > enough ? robust_sigma(sample) : 0.0;
  if (noise > 0.0) out.correlation = correlation_of(out.values, beside, noise);
  const double unit = noise * out.correlation;
  const auto factor = unit > 0.0 ? static_cast<float>(1.0 / unit) : 0.0F;
  for (int j = 0; j < out.values.height(); ++j) {
    for (int i = 0; i < out.values.width(); ++i) out.values(i, j) *= factor;
    for (int i = 0; i < out.hidden.width(); ++i) {
      out.hidden(i, j) *= factor / pixel_noise(i, j);
      out.model(i, j) *= factor;
    }
  }
  return out;
}

}  // namespace coldframe::pipeline::detail
