#include "camera_groups.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/sensor/mean_variance.hpp"
#include "name_sense.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

constexpr double same_exposure_share = 0.02;
constexpr double same_temperature_c = 1.5;
/// Two flats whose light differs by more than this are no pair.
constexpr double largest_ratio = 2.0;

template <typename T>
bool agree(const std::optional<T>& a, const std::optional<T>& b) {
  return !a || !b || *a == *b;
}
bool agree(const std::string& a, const std::string& b) { return a.empty() || b.empty() || a == b; }

bool same_camera(const FrameInfo& a, const FrameInfo& b) {
  return a.size == b.size && a.planes == b.planes && a.binning_x == b.binning_x &&
         a.binning_y == b.binning_y && agree(a.camera, b.camera) && agree(a.read_out, b.read_out) &&
         agree(a.gain_setting, b.gain_setting) && agree(a.offset_setting, b.offset_setting);
}

FrameKind group_kind(FrameKind kind) {
  return kind == FrameKind::flat_dark ? FrameKind::dark : kind;
}

bool same_exposure(const std::optional<double>& a, const std::optional<double>& b) {
  return !a || !b || std::abs(*a - *b) <= same_exposure_share * std::max(*a, *b) + 1e-4;
}

bool belongs(const FrameGroup& group, const FrameInfo& info) {
  if (group.kind != group_kind(info.kind)) return false;
  if (group.kind == FrameKind::bias) return true;
  if (!same_exposure(group.exposure_s, info.exposure_s)) return false;
  if (group.kind == FrameKind::flat) return filter_key(group.filter) == filter_key(info.filter);
  const auto t = info.sensor_temperature_c();
  return !t || !group.temperature_c || std::abs(*t - *group.temperature_c) <= same_temperature_c;
}

// Fewer pixels' worth of knowledge in each of three pairs that share frames.
void weigh(sensor::PairBlocks& blocks, double weight) {
  for (auto& block : blocks.blocks) {
    block.pixels *= weight;
    block.fixed_pixels *= weight;
  }
}

}  // namespace

std::vector<std::vector<std::size_t>> camera_sets(const Inventory& inventory) {
  std::vector<std::vector<std::size_t>> sets;
  for (std::size_t i = 0; i < inventory.frames.size(); ++i) {
    const auto& info = inventory.frames[i].info;
    const auto home = std::find_if(sets.begin(), sets.end(), [&](const auto& set) {
      return same_camera(inventory.frames[set.front()].info, info);
    });
    if (home != sets.end()) {
      home->push_back(i);
    } else {
      sets.push_back({i});
    }
  }
  return sets;
}

std::vector<FrameGroup> frame_groups(const Inventory& inventory,
                                     const std::vector<std::size_t>& frames) {
  std::vector<FrameGroup> groups;
  for (const auto i : frames) {
    const auto& info = inventory.frames[i].info;
    const auto kind = group_kind(info.kind);
    if (kind != FrameKind::bias && kind != FrameKind::dark && kind != FrameKind::flat) continue;
    const auto home = std::find_if(groups.begin(), groups.end(),
                                   [&](const FrameGroup& group) { return belongs(group, info); });
    if (home != groups.end()) {
      home->frames.push_back(i);
    } else {
      groups.push_back({kind, {i}, info.exposure_s, info.sensor_temperature_c(), info.filter});
    }
  }
  std::stable_sort(groups.begin(), groups.end(), [](const FrameGroup& a, const FrameGroup& b) {
    return a.exposure_s.value_or(0.0) < b.exposure_s.value_or(0.0);
  });
  return groups;
}

std::vector<PlannedPair> plan_pairs(const FrameGroup& group, const std::vector<double>& levels,
                                    double zero, std::vector<std::size_t>& alone) {
  std::vector<std::size_t> order = group.frames;
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return levels[a] < levels[b]; });
  const auto fits = [&](std::size_t a, std::size_t b) {
    if (group.kind != FrameKind::flat) return true;
    const double la = levels[a] - zero;
    const double lb = levels[b] - zero;
    return la > 0.0 && lb > 0.0 && std::max(la, lb) <= largest_ratio * std::min(la, lb);
  };
  std::vector<PlannedPair> pairs;
  std::size_t i = 0;
  while (i < order.size()) {
    const std::size_t left = order.size() - i;
    if (left == 3 && fits(order[i], order[i + 2])) {
      constexpr double weight = 2.0 / 3.0;
      pairs.push_back({order[i], order[i + 1], weight});
      pairs.push_back({order[i + 1], order[i + 2], weight});
      pairs.push_back({order[i], order[i + 2], weight});
      i += 3;
    } else if (left >= 2 && fits(order[i], order[i + 1])) {
      pairs.push_back({order[i], order[i + 1], 1.0});
      i += 2;
    } else {
      alone.push_back(order[i++]);
    }
  }
  return pairs;
}

namespace {

struct OneFrame {
  sensor::CodeHistogram codes;
  double mean = 0.0;
  std::optional<LeftOut> fault;
};

OneFrame read_frame(const FrameEntry& frame) {
  OneFrame result;
  try {
    const auto file = fits::ImageFile::open(frame.path);
    double sum = 0.0;
    double pixels = 0.0;
    for_pixel_strips(*file, [&](int plane, const Rect&, PlaneView<const float> strip) {
      if (plane > 0) return;
      result.codes.add(strip);
      for (int y = 0; y < strip.height(); ++y) {
        for (const float value : strip.row(y)) {
          if (!std::isfinite(value)) continue;
          sum += static_cast<double>(value);
          pixels += 1.0;
        }
      }
    });
    if (pixels > 0.0) {
      result.mean = sum / pixels;
    } else {
      result.fault = LeftOut{frame.name, "holds no pixel with a value", "take it again"};
    }
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    result.fault = LeftOut{frame.name, error.fault(), error.mend()};
  }
  return result;
}

}  // namespace

FrameCodes read_codes(const Inventory& inventory, const std::vector<std::size_t>& frames,
                      Threads threads, const Watch& watch) {
  constexpr std::size_t batch = 8;  // histograms held at once
  FrameCodes codes;
  codes.means.assign(inventory.frames.size(), 0.0);
  for (std::size_t first = 0; first < frames.size(); first += batch) {
    const std::size_t count = std::min(batch, frames.size() - first);
    std::vector<OneFrame> parts(count);
    parallel_for(threads, count, [&](std::size_t k) {
      watch.check();
      parts[k] = read_frame(inventory.frames[frames[first + k]]);
    });
    for (std::size_t k = 0; k < count; ++k) {
      const auto frame = frames[first + k];
      if (parts[k].fault) {
        codes.left_out.push_back(*parts[k].fault);
        continue;
      }
      const auto kind = group_kind(inventory.frames[frame].info.kind);
      codes.readable.push_back(frame);
      codes.means[frame] = parts[k].mean;
      codes.all.add(parts[k].codes);
      if (kind == FrameKind::bias || kind == FrameKind::dark) codes.dark.add(parts[k].codes);
    }
    watch.report("read", first + count, frames.size());
  }
  return codes;
}

sensor::PairBlocks measure_planned(const Inventory& inventory, const PlannedPair& pair,
                                   const Rect& part, const sensor::PairOptions& options,
                                   Threads threads, const Watch& watch) {
  const auto a = fits::ImageFile::open(inventory.frames[pair.a].path);
  const auto b = fits::ImageFile::open(inventory.frames[pair.b].path);
  auto blocks = sensor::measure_pair(*a, *b, part.empty() ? whole(a->size()) : part,
                                     inventory.frames[pair.a].info.cfa, options, threads, watch);
  if (pair.weight != 1.0) weigh(blocks, pair.weight);
  return blocks;
}

std::vector<double> zero_levels(const std::vector<sensor::PairBlocks>& pairs) {
  std::vector<double> zero;
  const auto noise = sensor::dark_noise(pairs);
  if (noise.empty()) return zero;
  for (std::size_t i = 0; i < pairs.front().blocks.size(); ++i) {
    double sum = 0.0;
    double count = 0.0;
    for (const auto& pair : pairs) {
      if (!pair.blocks[i].usable) continue;
      sum += pair.blocks[i].level();
      count += 1.0;
    }
    const auto site = static_cast<std::size_t>(pairs.front().blocks[i].site);
    zero.push_back(count > 0.0 ? sum / count : noise[site].level_adu);
  }
  return zero;
}

}  // namespace coldframe::session
