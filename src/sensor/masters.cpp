#include "coldframe/sensor/masters.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "sensor/flat_gradient.hpp"
#include "sensor/frame_choice.hpp"
#include "sensor/frame_samples.hpp"
#include "sensor/master_bands.hpp"
#include "sensor/sampled_median.hpp"

namespace coldframe::sensor {
namespace {

void check_frames(std::span<const PixelSource* const> frames, const PixelSource* subtract) {
  if (frames.empty()) {
    throw Error(ErrorKind::not_enough_data, "", "no frames to make a master of",
                "give at least one");
  }
  const Size size = frames.front()->size();
  for (const PixelSource* frame : frames) {
    if (frame->size() != size) {
      throw Error(ErrorKind::usage, "", "the frames of a master differ in size",
                  "combine frames of one camera and binning only");
    }
  }
  if (size.count() == 0) throw Error(ErrorKind::not_enough_data, "", "the frames are empty", "");
  if (subtract != nullptr && subtract->size() != size) {
    throw Error(ErrorKind::usage, "", "the dark or bias of the flats differs from them in size",
                "use one of the same camera and binning");
  }
}

/// Pairs of which both frames are used; all when there is none.
std::vector<PairNoise> pairs_of(const FrameSamples& samples, const std::vector<int>& used) {
  const auto is_used = [&](std::size_t i) {
    return std::binary_search(used.begin(), used.end(), static_cast<int>(i));
  };
  std::vector<PairNoise> pairs;
  for (const PairNoise& pair : samples.pairs) {
    if (is_used(pair.first) && is_used(pair.second)) pairs.push_back(pair);
  }
  return pairs.empty() ? samples.pairs : pairs;
}

NoiseModel noise_of(const FrameSamples& samples, const std::vector<PairNoise>& pairs, bool flat) {
  if (!pairs.empty()) return fit_noise(pairs, flat);
  return {samples.spatial_noise * samples.spatial_noise, 0.0};
}

stack::CombineOptions combine_options(const MasterOptions& options, std::size_t frames) {
  stack::CombineOptions combine;
  combine.rule = options.rule;
  if (frames < 3) {
    combine.rule = stack::Rejection::none;
  } else if (frames < static_cast<std::size_t>(scale_frames) &&
             options.rule != stack::Rejection::none) {
    combine.rule = stack::Rejection::noise_model;
  }
  combine.kappa_low = options.kappa;
  combine.kappa_high = options.kappa;
  combine.seeing_share = 0.0;  // no stars in calibration frames
  return combine;
}

double median_level(const FrameSamples& samples, const std::vector<int>& used) {
  std::vector<double> levels;
  for (const int i : used) levels.push_back(samples.levels[static_cast<std::size_t>(i)].level);
  return median_in_place(std::span<double>(levels));
}

/// Means of the good pixels of each colour.
std::array<double, 3> colour_means(const Master& master, CfaPattern cfa) {
  std::array<double, 3> sums{};
  std::array<std::int64_t, 3> counts{};
  for (int y = 0; y < master.value.height(); ++y) {
    const auto row = master.value.row(y);
    const auto mask = master.mask.row(y);
    for (std::size_t x = 0; x < row.size(); ++x) {
      if (mask[x] != 0) continue;
      const auto colour = static_cast<std::size_t>(cfa_colour(cfa, static_cast<int>(x), y));
      sums[colour] += static_cast<double>(row[x]);
      ++counts[colour];
    }
  }
  for (std::size_t c = 0; c < 3; ++c) {
    sums[c] = counts[c] > 0 ? sums[c] / static_cast<double>(counts[c]) : 1.0;
  }
  return sums;
}

/// What is subtracted from every flat errs alike in all of them. With the level as a flat's weight
/// its share in the mean is that of one flat of the mean level.
void add_subtract_variance(const PixelSource& uncertainty, const std::vector<double>& levels,
                           Master& master) {
  const Size size = master.value.size();
  if (uncertainty.size() != size || levels.empty()) return;
  double mean = 0.0;
  for (const double level : levels) mean += level / static_cast<double>(levels.size());
  constexpr int strip = 256;
  for (int y0 = 0; y0 < size.height; y0 += strip) {
    const Rect band{0, y0, size.width, std::min(y0 + strip, size.height)};
    Grid<float> sd(band.size());
    uncertainty.fill(0, band, sd.view());
    for (int y = band.y0; y < band.y1; ++y) {
      const auto to = master.variance.row(y);
      const auto from = sd.row(y - y0);
      for (std::size_t x = 0; x < to.size(); ++x) {
        const double share = static_cast<double>(from[x]) / mean;
        if (std::isfinite(share)) to[x] += static_cast<float>(share * share);
      }
    }
  }
}

/// Masks dead pixels and scales every colour to mean 1 over the good ones.
void normalise_flat(Master& master, CfaPattern cfa) {
  for (int y = 0; y < master.value.height(); ++y) {
    const auto row = master.value.row(y);
    const auto mask = master.mask.row(y);
    for (std::size_t x = 0; x < row.size(); ++x) {
      if (!std::isfinite(row[x])) mask[x] |= mask_bit::not_finite;
      if (row[x] <= 0.0F) mask[x] |= mask_bit::defect;
    }
  }
  const auto means = colour_means(master, cfa);
  for (int y = 0; y < master.value.height(); ++y) {
    for (int x = 0; x < master.value.width(); ++x) {
      const double mean = means[static_cast<std::size_t>(cfa_colour(cfa, x, y))];
      master.value(x, y) = static_cast<float>(static_cast<double>(master.value(x, y)) / mean);
      master.variance(x, y) =
          static_cast<float>(static_cast<double>(master.variance(x, y)) / (mean * mean));
    }
  }
}

void add_notes(const FrameSamples& samples, const MasterOptions& options,
               const stack::CombineOptions& combine, std::size_t used, Master& master) {
  if (samples.levels.size() == 1) {
    master.notes.push_back(
        {"few-frames",
         "one frame only: nothing can be rejected, its noise is taken from its pixels"});
  } else if (used < 3) {
    master.notes.push_back(
        {"few-frames", fmt::format("{} frames only: cosmic rays cannot be rejected", used)});
  } else if (combine.rule != options.rule) {
    master.notes.push_back(
        {"few-frames",
         fmt::format("{} frames are too few for a scale per pixel: outliers judged by the noise of "
                     "pair differences",
                     used)});
  }
}

}  // namespace

UnfitFrames::UnfitFrames(std::vector<MasterNote> notes)
    : Error(ErrorKind::not_enough_data, "",
            "no frame is fit for the master" + (notes.empty() ? "" : ": " + notes.front().text),
            "take new calibration frames"),
      notes_(std::move(notes)) {}

double flat_level(PlaneView<const float> flat) {
  if (flat.empty()) return 0.0;
  const int x0 = (flat.width() / 4) & ~1;
  const int y0 = (flat.height() / 4) & ~1;
  const Rect centre{x0, y0, std::max(x0 + 1, flat.width() - x0),
                    std::max(y0 + 1, flat.height() - y0)};
  return cell_mean(flat.crop(centre));
}

Master build_master(std::span<const PixelSource* const> frames, const PixelSource* subtract,
                    const MasterOptions& options, Threads threads, const Watch& watch) {
  check_frames(frames, subtract);
  const bool flat = options.kind == MasterKind::flat;
  const PixelSource* const dark = flat ? subtract : nullptr;
  const FrameSamples samples = sample_frames(frames, dark, options.saturation_adu, flat, threads);
  watch.check();
  const FrameChoice choice = choose_frames(
      samples, options.kind, noise_of(samples, samples.pairs, flat), options.saturation_adu);
  Master master;
  master.notes = choice.notes;
  master.left_out = choice.left_out;
  if (choice.used.empty()) {
    throw UnfitFrames(choice.notes);
  }
  CombinePlan plan;
  plan.noise = noise_of(samples, pairs_of(samples, choice.used), flat);
  for (const int i : choice.used) {
    plan.frames.push_back(frames[static_cast<std::size_t>(i)]);
    if (flat) plan.levels.push_back(samples.levels[static_cast<std::size_t>(i)].level);
  }
  const double level = median_level(samples, choice.used);
  plan.subtract = dark;
  plan.saturation_adu = options.saturation_adu;
  // Signal counts from two standard errors above the level: the mean's own noise is no signal.
  const double mean_error = std::sqrt(plan.noise.a / static_cast<double>(plan.frames.size()));
  plan.pedestal = flat ? 0.0 : level + 2.0 * mean_error;
  plan.combine = combine_options(options, plan.frames.size());
  plan.memory_bytes = options.memory_bytes;
  const Size size = frames.front()->size();
  master.value = Grid<float>(size);
  master.variance = Grid<float>(size);
  master.mask = Mask(size);
  combine_frames(plan, master, threads, watch);
  if (flat && options.subtract_uncertainty != nullptr) {
    add_subtract_variance(*options.subtract_uncertainty, plan.levels, master);
  }
  if (flat && options.gradient == FlatGradient::remove) {
    const auto told = remove_plane(master.value, master.variance, master.mask, options.cfa);
    if (!told.empty()) master.notes.push_back({"", told});
  }
  if (flat) normalise_flat(master, options.cfa);
  master.frames = static_cast<int>(plan.frames.size());
  master.level_adu = flat ? level : sampled_median(master.value.view());
  master.noise_adu = std::sqrt(sampled_median(master.variance.view()));
  master.frame_noise_adu = std::sqrt(plan.noise.a + plan.noise.b * (flat ? level : 0.0));
  add_notes(samples, options, plan.combine, plan.frames.size(), master);
  return master;
}

}  // namespace coldframe::sensor
