#include "camera_facts.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "camera_groups.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/sensor/code_levels.hpp"
#include "coldframe/sensor/mean_variance.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

constexpr int window = 1024;
constexpr double most_exposure_s = 10.0;  // longer darks hold too much dark current
constexpr double fit_share = 0.7;         // of saturation: EMVA 1288's range of the slope
constexpr std::uint64_t few = 16;         // pixels above a level that do not disprove it
// Of a light's pixels: where so many lie above it a header's level is no saturation.
constexpr double absurd_share = 0.005;

// Even corners keep the colours of a mosaic in place.
Rect central_part(Size size) {
  const int x0 = std::max((size.width - window) / 4 * 2, 0);
  const int y0 = std::max((size.height - window) / 4 * 2, 0);
  return Rect{x0, y0, x0 + window, y0 + window}.intersect(whole(size));
}

// Two frames of one exposure; flats of several exposures may share a set.
std::optional<PlannedPair> equal_pair(const Inventory& inventory, const FrameSet& set) {
  for (std::size_t i = 0; i < set.frames.size(); ++i) {
    for (std::size_t j = i + 1; j < set.frames.size(); ++j) {
      const auto& a = inventory.frames[set.frames[i]].info.exposure_s;
      const auto& b = inventory.frames[set.frames[j]].info.exposure_s;
      if (!a || !b || std::abs(*a - *b) <= 0.02 * std::max(*a, *b) + 1e-4) {
        return PlannedPair{set.frames[i], set.frames[j], 1.0};
      }
    }
  }
  return std::nullopt;
}

void add_codes(const Inventory& inventory, std::size_t frame, sensor::CodeHistogram& histogram) {
  const auto file = fits::ImageFile::open(inventory.frames[frame].path);
  const Rect part = central_part(file->size());
  Grid<float> pixels(part.size());
  file->fill(0, part, pixels.view());
  histogram.add(pixels.cview());
}

GainFinding measure_gain(const Inventory& inventory, const PlannedPair& dark_pair,
                         const PlannedPair& flat_pair) {
  sensor::CodeHistogram histogram;
  for (const auto frame : {dark_pair.a, dark_pair.b, flat_pair.a, flat_pair.b}) {
    add_codes(inventory, frame, histogram);
  }
  const auto codes = sensor::find_code_levels(histogram, sensor::CodesOf::calibration_frames);
  const Rect part = central_part(inventory.frames[dark_pair.a].info.size);
  sensor::PairOptions options;
  options.code_step = codes.step;
  options.saturation_adu =
      codes.saturation ? codes.saturation->level_adu : sensor::converter_end(codes);
  const std::vector<sensor::PairBlocks> dark = {
      measure_planned(inventory, dark_pair, part, options, {1}, {})};
  const auto noise = sensor::dark_noise(dark);
  const auto zero = zero_levels(dark);
  if (noise.empty()) return {};
  options.zero = zero;
  const auto flat = measure_planned(inventory, flat_pair, part, options, {1}, {});
  auto points = sensor::transfer_points(flat, noise, 0);
  const auto fit =
      sensor::fit_transfer(points, fit_share * (options.saturation_adu - noise.front().level_adu));
  const auto read = sensor::read_noise(noise, codes.step, fit);
  return {fit.usable, fit.gain_e_per_adu, fit.gain_error, read.electrons};
}

sensor::CodeHistogram codes_of(const std::filesystem::path& path) {
  sensor::CodeHistogram histogram;
  const auto file = fits::ImageFile::open(path);
  for_pixel_strips(*file,
                   [&](int, const Rect&, PlaneView<const float> strip) { histogram.add(strip); });
  return histogram;
}

std::uint64_t count_above(const sensor::CodeHistogram& histogram, double level) {
  // Of values beyond the counted codes only the number is known.
  std::uint64_t count = level <= sensor::CodeHistogram::highest_code ? histogram.above() : 0;
  for (std::size_t i = 0; i < histogram.counts().size(); ++i) {
    if (sensor::CodeHistogram::lowest_code + static_cast<double>(i) > level) {
      count += histogram.counts()[i];
    }
  }
  return count;
}

// Full wells are full at one level in every light; a bright, blurred star is not.
std::optional<double> common_crowd(const std::vector<sensor::CodeHistogram>& lights) {
  for (const auto& light : lights) {
    const auto found = sensor::find_code_levels(light, sensor::CodesOf::lights).saturation;
    if (!found) continue;
    const bool disproved = std::any_of(lights.begin(), lights.end(), [&](const auto& other) {
      return count_above(other, 1.02 * found->level_adu) > few;
    });
    if (!disproved) return found->level_adu;
  }
  return std::nullopt;
}

}  // namespace

std::optional<GainFinding> gain_from_frames(const Inventory& inventory, const Pairing& pairing,
                                            const std::vector<bool>& belongs) {
  std::optional<PlannedPair> dark;
  bool dark_is_bias = false;
  for (const auto& set : pairing.sets) {
    if (set.frames.size() < 2 || !belongs[set.frames.front()]) continue;
    const auto& info = inventory.frames[set.frames.front()].info;
    const bool bias = set.kind == FrameKind::bias;
    const bool dim =
        bias || (set.kind == FrameKind::dark && info.exposure_s.value_or(1e9) <= most_exposure_s);
    // A bias is the best dark level; any short dark will do.
    if (!dim || dark_is_bias || (dark && !bias)) continue;
    dark = equal_pair(inventory, set);
    dark_is_bias = bias && dark;
  }
  if (!dark) return std::nullopt;
  std::optional<GainFinding> best;
  for (const auto& set : pairing.sets) {
    if (set.kind != FrameKind::flat || !belongs[set.frames.front()]) continue;
    const auto flat = equal_pair(inventory, set);
    if (!flat) continue;
    try {
      best = measure_gain(inventory, *dark, *flat);
    } catch (const Error&) {
      continue;  // unreadable frames are reported where they are used
    }
    if (best->usable) break;
  }
  return best;
}

SaturationFinding saturation_from_lights(const std::vector<std::filesystem::path>& paths,
                                         const std::optional<double>& header,
                                         const std::optional<double>& data_max) {
  SaturationFinding finding;
  std::vector<sensor::CodeHistogram> lights;
  sensor::CodeHistogram all;
  for (const auto& path : paths) {
    try {
      lights.push_back(codes_of(path));
      all.add(lights.back());
    } catch (const Error&) {
      continue;  // broken lights are named where they are measured
    }
  }
  const auto pooled = sensor::find_code_levels(all, sensor::CodesOf::lights);
  const bool pile = pooled.saturation && pooled.saturation->sign == sensor::SaturationSign::pile;
  if (header) {
    const auto above = static_cast<double>(count_above(all, *header));
    finding.header_absurd = above > absurd_share * static_cast<double>(all.pixels() + all.above());
    if (!finding.header_absurd) {
      // A driver may say 65535 of a converter that ends below it.
      finding.level_adu = pile ? std::min(*header, pooled.saturation->level_adu) : *header;
      return finding;
    }
  }
  if (pile) {
    finding.level_adu = pooled.saturation->level_adu;
  } else if (const auto crowd = common_crowd(lights)) {
    finding.level_adu = *crowd;
  } else if (!lights.empty()) {
    const double end = sensor::converter_end(pooled);
    // Half the converter's range and more: a lower one is the brightest pixel of some picture.
    const bool hint = data_max && *data_max > 0.5 * end && count_above(all, *data_max) == 0;
    finding.level_adu = hint ? std::min(*data_max, end) : end;
  }
  return finding;
}

}  // namespace coldframe::session
