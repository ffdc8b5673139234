#include "calibration_checks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/sensor/calibration_checks.hpp"
#include "coldframe/sensor/photon_transfer.hpp"
#include "measure_cache.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr int band_rows = 256;
constexpr std::size_t lights_looked_at = 3;
constexpr double most_zeros = 5e-4;
constexpr int window = 512;

void warn(SessionRecord& record, const char* code, std::string message) {
  record.warnings.push_back({code, std::move(message), {}});
}

std::string name_of(const GroupState& group) {
  return group.filter.empty() ? group.object : group.object + " " + group.filter;
}

// Subs that share one calibration, spread over the group.
std::vector<const SubState*> spread(const GroupState& group, const pipeline::Calibration* which,
                                    std::size_t most) {
  std::vector<const SubState*> all;
  for (const auto& sub : group.subs) {
    if (sub.usable && sub.calibration.get() == which) all.push_back(&sub);
  }
  std::vector<const SubState*> some;
  const std::size_t wanted = std::min(all.size(), most);
  for (std::size_t k = 0; k < wanted; ++k) some.push_back(all[k * all.size() / wanted]);
  return some;
}

struct RawLook {
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
  const double zeros =
      look.pixels > 0 ? static_cast<double>(look.zeros) / static_cast<double>(look.pixels) : 0.0;
  if (zeros > most_zeros) {
    warn(record, "pedestal-clipped",
         fmt::format("{}: {:.2g}% of the raw pixels are at zero: the dark end is cut off and the "
                     "sky's mean is wrong; raise the camera's offset",
                     name_of(group), 100.0 * zeros));
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

// Usual value of the subtracted frame in a cell, from some hundred pixels.
double dark_level(const Grid<float>& plane, const Rect& cell) {
  std::vector<float> values;
  // Odd steps meet all colours of a mosaic.
  const int step = std::max(std::max(cell.width(), cell.height()) / 24, 3) | 1;
  for (int y = cell.y0; y < cell.y1; y += step) {
    for (int x = cell.x0; x < cell.x1; x += step) {
      if (std::isfinite(plane(x, y))) values.push_back(plane(x, y));
    }
  }
  return values.empty() ? 0.0 : static_cast<double>(median_in_place(std::span<float>(values)));
}

struct Shapes {
  std::vector<sensor::ShapePoint> flat;  ///< sky against the flat
  std::vector<sensor::ShapePoint> dark;  ///< sky against the dark
  std::vector<sensor::ShapePoint> light_in_dark;
  double flat_range = 0.0;
  double dark_range = 0.0;
  double sky = 0.0;    ///< calibrated units
  double noise = 0.0;  ///< of a pixel
};

double range_of(const std::vector<sensor::ShapePoint>& points) {
  std::vector<double> values;
  for (const auto& p : points) values.push_back(p.pattern);
  if (values.size() < 10) return 0.0;
  std::sort(values.begin(), values.end());
  return values[values.size() * 98 / 100] - values[values.size() / 50];
}

// The sky of all subs on the sensor: what moves with the sky averages out, what masters leave
// stays.
Shapes shapes_of(const GroupState& group, const pipeline::Calibration& how) {
  Shapes shapes;
  const auto subs = spread(group, &how, 1000);
  if (subs.empty() || subs.front()->measured.sky.empty()) return shapes;
  const auto& first = subs.front()->measured;
  const auto& mesh = first.sky.front().mesh;
  const int step = first.sky.front().step;
  std::vector<double> skies, noises;
  for (const auto* sub : subs) {
    skies.push_back(sub->measured.sky.front().mesh.median_level());
    noises.push_back(sub->measured.sky.front().mesh.median_noise());
  }
  shapes.sky = median(skies);
  shapes.noise = median(noises);
  const double unit = static_cast<double>(how.constant_multiply);
  const double usual_dark =
      how.subtract.empty() ? 0.0 : dark_level(how.subtract, whole(how.subtract.size()));
  for (int j = 0; j < mesh.level.height(); ++j) {
    for (int i = 0; i < mesh.level.width(); ++i) {
      std::vector<double> levels;
      for (std::size_t k = 0; k < subs.size(); ++k) {
        const auto& grid = subs[k]->measured.sky.front().mesh.level;
        if (grid.size() != mesh.level.size()) continue;
        levels.push_back(static_cast<double>(grid(i, j)) - skies[k]);
      }
      const int side = mesh.cell_px * step;
      const Rect cell =
          Rect{i * side, j * side, (i + 1) * side, (j + 1) * side}.intersect(whole(first.frame));
      if (cell.empty()) continue;
      sensor::ShapePoint point;
      const double cx = 0.5 * (cell.x0 + cell.x1);
      const double cy = 0.5 * (cell.y0 + cell.y1);
      point.x = 2.0 * cx / first.frame.width - 1.0;
      point.y = 2.0 * cy / first.frame.height - 1.0;
      point.value = median(levels);
      if (!how.multiply.empty()) {
        point.pattern = 1.0 / how.inverse_flat_at(cx, cy);
        shapes.flat.push_back(point);
      }
      if (how.subtract.empty()) continue;
      const double dark = dark_level(how.subtract, cell);
      if (!how.multiply.empty()) {
        shapes.light_in_dark.push_back({point.x, point.y, dark, point.pattern});
      }
      // Without the offset, which would follow the flat.
      point.pattern = (dark - usual_dark) * unit * how.inverse_flat_at(cx, cy);
      shapes.dark.push_back(point);
    }
  }
  shapes.flat_range = range_of(shapes.flat);
  shapes.dark_range = range_of(shapes.dark);
  return shapes;
}

void check_flat(const GroupState& group, const Shapes& shapes, SessionRecord& record) {
  if (shapes.flat_range < 0.03 || !(shapes.sky > 0.0)) return;
  auto fit = sensor::fit_shape(shapes.flat, true);
  fit.slope /= shapes.sky;
  fit.error /= shapes.sky;
  const double left = std::fabs(fit.slope) * shapes.flat_range;
  if (!fit.significant(0.12) || left < 0.015) return;
  warn(record, "flat-mismatch",
       fmt::format("{}: the flat {} by {:.0f}% (+-{:.0f}%): {:.1f}% of the sky follow its shape; "
                   "check the flats' own darks, stray light in the flats and the lights' offset",
                   name_of(group), fit.slope > 0.0 ? "corrects too little" : "over-corrects",
                   100.0 * std::fabs(fit.slope), 100.0 * fit.error, 100.0 * left));
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

struct SetLook {
  double level = 0.0;
  double noise = 0.0;  ///< of one frame; 0: one frame only
  double zeros = 0.0;
};

SetLook look_at_set(const Inventory& inventory, const FrameSet& set) {
  SetLook look;
  std::vector<Grid<float>> pixels;
  for (const auto frame : set.frames) {
    if (pixels.size() == 2) break;
    const auto& entry = inventory.frames[frame];
    const auto raw = open_raw_frame(entry.path, entry.info);
    const Size size = raw->size();
    const int x0 = std::max((size.width - window) / 4 * 2, 0);
    const int y0 = std::max((size.height - window) / 4 * 2, 0);
    const Rect part = Rect{x0, y0, x0 + window, y0 + window}.intersect(whole(size));
    pixels.emplace_back(part.size());
    raw->fill(0, part, pixels.back().view());
  }
  std::vector<float> values;
  for (int y = 0; y < pixels.front().height(); ++y) {
    for (const float v : pixels.front().cview().row(y)) {
      look.zeros += v <= 0.0F ? 1.0 : 0.0;
      if (std::isfinite(v)) values.push_back(v);
    }
  }
  if (values.empty()) return look;
  look.zeros /= static_cast<double>(values.size());
  if (pixels.size() == 2) {
    look.noise = std::sqrt(
        std::max(sensor::pair_statistics(pixels[0].cview(), pixels[1].cview()).variance_adu2, 0.0));
  }
  look.level = static_cast<double>(median_in_place(std::span<float>(values)));
  return look;
}

bool one_read_out(const FrameInfo& a, const FrameInfo& b) {
  return a.camera == b.camera && a.read_out == b.read_out && a.gain_setting == b.gain_setting &&
         a.offset_setting == b.offset_setting && a.size == b.size && a.binning_x == b.binning_x;
}

void compare_sets(const std::string& bias_name, const SetLook& bias, const std::string& dark_name,
                  const SetLook& dark, SessionRecord& record) {
  if (!(bias.noise > 0.0)) return;
  if (dark.level < bias.level - std::max(2.0, 0.5 * bias.noise)) {
    warn(record, "offset-mismatch",
         fmt::format("{} lies {:.3g} ADU below {}: their offsets differ though the headers agree; "
                     "take both with one setting",
                     dark_name, bias.level - dark.level, bias_name));
  } else if (dark.noise > 0.0 && dark.noise < 0.8 * bias.noise) {
    warn(record, "gain-mismatch",
         fmt::format("{} is calmer ({:.3g} ADU) than {} ({:.3g} ADU), which no dark of the same "
                     "gain can be; take both with one setting",
                     dark_name, dark.noise, bias_name, bias.noise));
  }
}

}  // namespace

void check_dark_frames(const Inventory& inventory, const Pairing& pairing, SessionRecord& record) {
  std::vector<std::pair<const FrameSet*, SetLook>> looks;
  for (const auto& set : pairing.sets) {
    if (set.kind == FrameKind::flat || set.frames.empty()) continue;
    try {
      looks.emplace_back(&set, look_at_set(inventory, set));
    } catch (const Error&) {
      continue;  // named where it is used
    }
    if (looks.back().second.zeros > most_zeros) {
      warn(
          record, "pedestal-clipped",
          fmt::format("{}: {:.2g}% of the pixels are at zero: the dark end is cut off and its mean "
                      "is wrong; raise the camera's offset",
                      set.label, 100.0 * looks.back().second.zeros));
    }
  }
  for (const auto& [bias, bias_look] : looks) {
    if (bias->kind != FrameKind::bias) continue;
    for (const auto& [dark, dark_look] : looks) {
      if (dark->kind == FrameKind::bias) continue;
      if (!one_read_out(inventory.frames[bias->frames.front()].info,
                        inventory.frames[dark->frames.front()].info)) {
        continue;
      }
      compare_sets(bias->label, bias_look, dark->label, dark_look, record);
    }
  }
}

void check_calibration(const GroupState& group, SessionRecord& record, const Watch& watch) {
  std::set<const pipeline::Calibration*> seen;
  for (const auto& sub : group.subs) {
    if (!sub.usable || !sub.calibration || !seen.insert(sub.calibration.get()).second) continue;
    const auto& how = *sub.calibration;
    check_raw(group, how, record, watch);
    const Shapes shapes = shapes_of(group, how);
    if (!how.subtract.empty()) check_level(group, shapes, record);
    check_flat(group, shapes, record);
    check_glow(group, shapes, static_cast<double>(how.constant_multiply), record);
    check_light_in_darks(group, shapes, std::sqrt(std::max(how.dark_frame_variance, 0.0)), record);
  }
}

}  // namespace coldframe::session
