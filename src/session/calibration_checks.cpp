#include "calibration_checks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "calibration_shapes.hpp"
#include "check_parts.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sensor/calibration_checks.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr int band_rows = 256;
constexpr std::size_t lights_looked_at = 3;

constexpr double calmer = 0.8;

/// Usual noise of a pixel of one frame, from neighbours of one colour along rows.
double pixel_noise(PlaneView<const float> band, CfaPattern cfa) {
  std::vector<double> rows;
  std::vector<float> one;
  const std::size_t step = cfa == CfaPattern::none ? 1 : 2;
  for (int y = 0; y < band.height(); y += 7) {
    one.clear();
    const auto row = band.row(y);
    for (std::size_t x = 0; x < row.size(); x += step) one.push_back(row[x]);
    const double noise = noise_from_differences(one);
    if (std::isfinite(noise)) rows.push_back(noise);
  }
  return rows.empty() ? 0.0 : median_in_place(std::span<double>(rows));
}

struct RawLook {
  double noise_adu = 0.0;
  sensor::HotPixelPairs hot;
  std::int64_t zeros = 0;
  std::int64_t pixels = 0;
};

RawLook look_at_raw(const std::vector<const SubState*>& subs, const pipeline::Calibration& how,
                    const Watch& watch) {
  RawLook look;
  const double noise = std::sqrt(std::max(how.dark_frame_variance, 0.0));
  for (const auto* sub : subs) {
    std::unique_ptr<PixelSource> raw;
    try {
      raw = open_raw_frame(sub->path, *sub->info);
    } catch (const Error&) {
      continue;  // named where it is used
    }
    if (raw->planes() != 1) continue;
    const Size size = raw->size();
    for (int y0 = 0; y0 < size.height; y0 += band_rows) {
      watch.check();
      const Rect band{0, y0, size.width, std::min(y0 + band_rows, size.height)};
      Grid<float> pixels(band.size());
      raw->fill(0, band, pixels.view());
      if (look.pixels == 0) look.noise_adu = pixel_noise(pixels.cview(), how.cfa);
      for (int y = 0; y < band.height(); ++y) {
        for (const float v : pixels.cview().row(y)) look.zeros += v <= 0.0F ? 1 : 0;
      }
      look.pixels += band.size().count();
      if (how.subtract.empty() || !(noise > 0.0) || band.height() < 8) continue;
      // Ten sigma: pixels whose own share shows through the light's noise.
      sensor::collect_hot_pixels(pixels.cview(), how.subtract.view().crop(band), how.cfa,
                                 10.0 * noise, 0.8 * static_cast<double>(how.saturation_adu),
                                 look.hot);
    }
  }
  return look;
}

void check_raw(const GroupState& group, const pipeline::Calibration& how, SessionRecord& record,
               const Watch& watch) {
  const auto look = look_at_raw(spread(group, &how, lights_looked_at), how, watch);
  const double dark_noise_adu = std::sqrt(std::max(how.dark_frame_variance, 0.0));
  const double zeros =
      look.pixels > 0 ? static_cast<double>(look.zeros) / static_cast<double>(look.pixels) : 0.0;
  if (zeros > most_zeros) {
    warn(record, "pedestal-clipped",
         fmt::format("{}: {:.2g}% of the raw pixels are at zero: the dark end is cut off and the "
                     "sky's mean is wrong; raise the camera's offset",
                     name_of(group), 100.0 * zeros));
  }
  if (look.noise_adu > 0.0 && dark_noise_adu > 0.0 && look.noise_adu < calmer * dark_noise_adu) {
    warn(record, "gain-mismatch",
         fmt::format(
             "{}: the raw lights are calmer ({:.3g} ADU a pixel) than their darks ({:.3g} "
             "ADU), which no light of the same gain can be; take darks with the lights' gain",
             name_of(group), look.noise_adu, dark_noise_adu));
    return;  // the hot pixels would say the same in other words
  }
  const auto fit = sensor::hot_pixel_residue(look.hot);
  if (fit.significant(0.05)) {
    warn(record, "dark-mismatch",
         fmt::format("{}: the lights keep {:+.0f}% (+-{:.1f}%) of the dark's hot pixels ({} looked "
                     "at): the darks are too {}; take darks of the lights' temperature and "
                     "exposure, or give a bias so that they can be scaled",
                     name_of(group), 100.0 * fit.slope, 100.0 * fit.error, fit.points,
                     fit.slope > 0.0 ? "weak" : "strong"));
  }
}

// Returns by how much the flat over-corrects, 0 when nothing is told.
double check_flat(const GroupState& group, const Shapes& shapes, SessionRecord& record) {
  if (shapes.flat_range < 0.03 || !(shapes.sky > 0.0)) return 0.0;
  auto fit = sensor::fit_shape(shapes.flat, true);
  fit.slope /= shapes.sky;
  fit.error /= shapes.sky;
  const double left = std::fabs(fit.slope) * shapes.flat_range;
  // Twilight, a cluster's unresolved stars and haloes alone make a percent or two.
  if (!fit.significant(0.15) || left < 0.025) return 0.0;
  warn(record, "flat-mismatch",
       fmt::format("{}: the flat {} by {:.0f}% (+-{:.0f}%): {:.1f}% of the sky follow its shape; "
                   "check the flats' own darks, stray light in the flats and the lights' offset",
                   name_of(group), fit.slope > 0.0 ? "corrects too little" : "over-corrects",
                   100.0 * std::fabs(fit.slope), 100.0 * fit.error, 100.0 * left));
  record.warnings.back().evidence = {{"left_share_of_sky", left}};
  return std::max(-fit.slope, 0.0);
}

void check_glow(const GroupState& group, const Shapes& shapes, double adu, SessionRecord& record) {
  // A dark without a shape tells nothing: glow must stand out by several ADU.
  if (shapes.dark_range < 4.0 * adu || shapes.dark_range < 0.3 * shapes.noise) return;
  const auto fit = sensor::fit_shape(shapes.dark, true);
  const double left = std::fabs(fit.slope) * shapes.dark_range;
  if (!fit.significant(0.15) || left < 0.1 * shapes.noise) return;
  warn(record, "glow-mismatch",
       fmt::format("{}: the lights keep {:+.0f}% (+-{:.0f}%) of the dark's smooth shape (amplifier "
                   "glow or a light leak), {:.2g} of a pixel's noise; take darks of the same "
                   "exposure, temperature and read-out mode, in the dark",
                   name_of(group), 100.0 * fit.slope, 100.0 * fit.error, left / shapes.noise));
}

void check_light_in_darks(const GroupState& group, const Shapes& shapes, double noise_adu,
                          SessionRecord& record) {
  if (shapes.flat_range < 0.03) return;
  const auto fit = sensor::fit_shape(shapes.light_in_dark, true);
  const double swing = fit.slope * shapes.flat_range;
  if (!fit.significant(0.0) || swing < std::max(2.0, 0.3 * noise_adu)) return;
  warn(record, "dark-light",
       fmt::format("{}: the darks follow the flat's shape with {:.2g} ADU: about {:.3g} ADU of "
                   "light fell into them; cover the telescope and take them again in the dark",
                   name_of(group), swing, fit.slope));
}

void check_level(const GroupState& group, const Shapes& shapes, SessionRecord& record) {
  if (!(shapes.noise > 0.0) || shapes.sky > -0.3 * shapes.noise) return;
  warn(record, "offset-mismatch",
       fmt::format("{}: the calibrated sky is below zero ({:.3g}, noise of a pixel {:.3g}): the "
                   "darks or bias frames lie above the lights; they have another offset or gain, "
                   "or saw light",
                   name_of(group), shapes.sky, shapes.noise));
}

}  // namespace

void check_calibration(const GroupState& group, SessionRecord& record, const Watch& watch) {
  std::set<const pipeline::Calibration*> seen;
  for (const auto& sub : group.subs) {
    if (!sub.usable || !sub.calibration || !seen.insert(sub.calibration.get()).second) continue;
    const auto& how = *sub.calibration;
    check_raw(group, how, record, watch);
    const Shapes shapes = shapes_of(group, how);
    if (!how.subtract.empty()) check_level(group, shapes, record);
    const double over = check_flat(group, shapes, record);
    check_glow(group, shapes, static_cast<double>(how.constant_multiply), record);
    check_dust(group, how, over, record);
    check_light_in_darks(group, shapes, std::sqrt(std::max(how.dark_frame_variance, 0.0)), record);
  }
}

}  // namespace coldframe::session
