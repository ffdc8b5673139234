// How the darks at hand scale in exposure and temperature, asked of their pixels; only where lights
// lack a dark of their own.
#include <algorithm>
#include <map>

#include "coldframe/core/error.hpp"
#include "coldframe/sensor/dark_scaling.hpp"
#include "coldframe/session/pairing.hpp"
#include "ladder_look.hpp"
#include "pairing_rules.hpp"
#include "set_choice.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t most_sets = 8;
constexpr double least_exposure = 0.1;  // of the lights': shorter darks hold too little

/// Whether some dark can be scaled in exposure alone, or darks of several temperatures may tell
/// how.
bool worth_reading(const Inventory& inventory, const SetChoice& choice, const Ladder& ladder) {
  double coldest = 1e9;
  double warmest = -1e9;
  for (const auto set : ladder.darks) {
    for (const auto light : ladder.lights) {
      const double zero = choice.set_info(ladder.bias).exposure_s.value_or(0.0);
      if (choice.scaling(set, inventory.frames[light].info, zero)) return true;
    }
    if (const auto temperature = choice.set_info(set).sensor_temperature_c()) {
      coldest = std::min(coldest, *temperature);
      warmest = std::max(warmest, *temperature);
    }
  }
  return warmest - coldest >= sensor::least_ladder_c;
}

/// Lights without a dark of their own, by what serves as their bias.
std::vector<Ladder> find_ladders(const Inventory& inventory, const Pairing& pairing,
                                 const MatchTolerances& tolerances) {
  const DarkKnowledge nothing;
  const SetChoice choice(inventory, pairing.sets, tolerances, nothing);
  std::map<std::size_t, Ladder> ladders;
  for (const auto& group : pairing.groups) {
    for (const auto i : group.lights) {
      const auto& light = inventory.frames[i].info;
      if (light.is_calibrated || !light.exposure_s || choice.matched_dark(light)) continue;
      auto bias = choice.matched_bias(light);
      if (!bias) bias = choice.bias_like_dark(light);
      if (!bias) continue;
      auto& ladder = ladders[*bias];
      ladder.bias = *bias;
      ladder.lights.push_back(i);
      if (ladder.lights.size() > 1) continue;
      const double zero = choice.set_info(*bias).exposure_s.value_or(0.0);
      for (std::size_t s = 0; s < pairing.sets.size() && ladder.darks.size() < most_sets; ++s) {
        const auto& dark = choice.set_info(s);
        if (pairing.sets[s].kind == FrameKind::dark && s != *bias && same_read_out(dark, light) &&
            dark.planes == 1 && dark.exposure_s && *dark.exposure_s > 2.0 * zero &&
            *dark.exposure_s > least_exposure * *light.exposure_s) {
          ladder.darks.push_back(s);
        }
      }
    }
  }
  std::vector<Ladder> usable;
  for (auto& [bias, ladder] : ladders) {
    if (worth_reading(inventory, choice, ladder)) usable.push_back(std::move(ladder));
  }
  return usable;
}

}  // namespace

Pairing pair_with_pixels(const Inventory& inventory, const MatchTolerances& tolerances,
                         Threads threads, const Watch& watch) {
  auto pairing = pair_frames(inventory, tolerances);
  const auto ladders = find_ladders(inventory, pairing, tolerances);
  if (ladders.empty()) return pairing;
  DarkKnowledge knowledge;
  knowledge.doubling.resize(pairing.sets.size());
  knowledge.refused.resize(pairing.sets.size());
  for (const auto& ladder : ladders) {
    try {
      look_at_ladder(inventory, pairing, ladder, tolerances, threads, watch, knowledge);
    } catch (const Error& error) {
      if (error.kind() == ErrorKind::interrupted) throw;  // unreadable frames are named elsewhere
    }
  }
  return pair_frames(inventory, tolerances, knowledge);
}

}  // namespace coldframe::session
