#include "camera_ladders.hpp"

#include <algorithm>
#include <cmath>
#include <map>

#include "name_sense.hpp"

namespace coldframe::session {
namespace {

struct FrameMeans {
  std::vector<double> levels;  // one per frame of each pair
  double mean = 0.0;
};

FrameMeans frame_means(const std::vector<sensor::PairBlocks>& pairs) {
  FrameMeans result;
  for (const auto& pair : pairs) {
    double a = 0.0;
    double b = 0.0;
    double n = 0.0;
    for (const auto& block : pair.blocks) {
      if (!block.usable) continue;
      a += block.level_a * block.pixels;
      b += block.level_b * block.pixels;
      n += block.pixels;
    }
    if (!(n > 0.0)) continue;
    result.levels.push_back(a / n);
    result.levels.push_back(b / n);
  }
  for (const double level : result.levels) {
    result.mean += level / static_cast<double>(result.levels.size());
  }
  return result;
}

// Scatter of single frames about their group's mean, all groups together: the black level wanders.
double wander(const std::vector<FrameMeans>& groups) {
  double squares = 0.0;
  double freedom = 0.0;
  for (const auto& group : groups) {
    for (const double level : group.levels) {
      squares += (level - group.mean) * (level - group.mean);
    }
    if (group.levels.size() > 1) freedom += static_cast<double>(group.levels.size()) - 1.0;
  }
  return freedom > 0.0 ? std::sqrt(squares / freedom) : 0.0;
}

}  // namespace

std::vector<sensor::DarkLevel> dark_levels(const Inventory& inventory,
                                           const std::vector<FrameGroup>& groups,
                                           const PairsByGroup& darks) {
  std::vector<FrameMeans> means(groups.size());
  for (std::size_t g = 0; g < groups.size(); ++g) means[g] = frame_means(darks[g]);
  const double scatter = wander(means);
  std::vector<sensor::DarkLevel> levels;
  for (std::size_t g = 0; g < groups.size(); ++g) {
    if (means[g].levels.empty()) continue;
    const bool bias = groups[g].kind == FrameKind::bias;
    if (!bias && !groups[g].exposure_s) continue;
    sensor::DarkLevel level;
    level.is_bias = bias;
    level.exposure_s = bias ? 0.0 : *groups[g].exposure_s;
    double temperature = 0.0;
    double known = 0.0;
    for (const auto frame : groups[g].frames) {
      if (const auto t = inventory.frames[frame].info.sensor_temperature_c()) {
        temperature += *t;
        known += 1.0;
      }
    }
    if (known > 0.0) level.temperature_c = temperature / known;
    level.level_adu = means[g].mean;
    double variance = 0.0;
    double error2 = 0.0;
    const auto noise = sensor::dark_noise(darks[g]);
    const auto sites = static_cast<double>(noise.size());
    for (const auto& site : noise) {
      variance += site.variance_adu2 / sites;
      error2 += site.error_adu2 * site.error_adu2 / (sites * sites);
    }
    level.variance_adu2 = variance;
    level.variance_error_adu2 = std::sqrt(error2);
    // The pixels' own noise averages out over a frame; the wandering of the level does not.
    const double frames = static_cast<double>(means[g].levels.size());
    level.level_error_adu =
        std::hypot(scatter / std::sqrt(frames),
                   0.5 * level.variance_error_adu2 / std::sqrt(std::max(variance, 1e-12)));
    levels.push_back(level);
  }
  return levels;
}

std::vector<sensor::LightLevel> light_levels(const std::vector<FrameGroup>& groups,
                                             const PairsByGroup& flats) {
  if (flats.empty()) return {};
  std::map<std::string, std::vector<std::size_t>> by_filter;
  for (std::size_t g = 0; g < groups.size(); ++g) {
    if (groups[g].kind == FrameKind::flat && groups[g].exposure_s && !flats[g].empty()) {
      by_filter[filter_key(groups[g].filter)].push_back(g);
    }
  }
  std::vector<std::size_t> ladder;
  for (const auto& [filter, members] : by_filter) {
    if (members.size() > ladder.size()) ladder = members;
  }
  if (ladder.empty()) return {};
  // Blocks that saturate at the longer exposures must not count at the shorter ones either; an
  // exposure that leaves less than half of the blocks is no part of the ladder.
  std::vector<char> common(flats[ladder.front()].front().blocks.size(), 1);
  const auto usable_share = [&](std::size_t g) {
    double good = 0.0;
    double all = 0.0;
    for (const auto& pair : flats[g]) {
      for (const auto& block : pair.blocks) {
        good += block.usable ? 1.0 : 0.0;
        all += 1.0;
      }
    }
    return good / all;
  };
  std::erase_if(ladder, [&](std::size_t g) { return usable_share(g) < 0.5; });
  for (const auto g : ladder) {
    for (const auto& pair : flats[g]) {
      for (std::size_t i = 0; i < common.size(); ++i) {
        if (!pair.blocks[i].usable) common[i] = 0;
      }
    }
  }
  std::vector<sensor::LightLevel> levels;
  for (const auto g : ladder) {
    sensor::LightLevel level;
    level.exposure_s = *groups[g].exposure_s;
    double low = 1e300;
    double high = 0.0;
    for (const auto& pair : flats[g]) {
      double a = 0.0;
      double b = 0.0;
      double n = 0.0;
      for (std::size_t i = 0; i < common.size(); ++i) {
        if (common[i] == 0) continue;
        a += pair.blocks[i].level_a - pair.blocks[i].zero;
        b += pair.blocks[i].level_b - pair.blocks[i].zero;
        n += 1.0;
      }
      if (!(n > 0.0)) continue;
      level.signal_adu += 0.5 * (a + b) / n;
      low = std::min({low, a / n, b / n});
      high = std::max({high, a / n, b / n});
      level.frames += 2;
    }
    if (level.frames == 0) continue;
    level.signal_adu /= 0.5 * level.frames;
    level.lamp_spread = level.signal_adu > 0.0 ? (high - low) / level.signal_adu : 0.0;
    levels.push_back(level);
  }
  return levels;
}

void find_hot_pixels(const std::vector<FrameGroup>& groups, const PairsByGroup& darks,
                     CameraMeasurement& camera) {
  for (std::size_t g = 0; g < groups.size(); ++g) {
    const double exposure = groups[g].exposure_s.value_or(0.0);
    if (groups[g].kind != FrameKind::dark || darks[g].empty()) continue;
    if (exposure < camera.hot_exposure_s) continue;
    double share = 0.0;
    double n = 0.0;
    for (const auto& pair : darks[g]) {
      for (const auto& block : pair.blocks) {
        if (!block.usable) continue;
        share += block.outlier_share;
        n += 1.0;
      }
    }
    if (!(n > 0.0)) continue;
    camera.hot_share = share / n;
    camera.hot_exposure_s = exposure;
  }
}

}  // namespace coldframe::session
