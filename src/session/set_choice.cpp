#include "set_choice.hpp"

#include <algorithm>
#include <cmath>

#include "name_sense.hpp"
#include "pairing_rules.hpp"

namespace coldframe::session {
namespace {

constexpr double no = std::numeric_limits<double>::infinity();
// A dark this short holds next to no dark current: it can stand in for a bias.
constexpr double short_dark_s = 2.0;
constexpr double short_dark_share = 0.05;
// One doubling temperature for all pixels holds over some 20 C (Widenhorn et al. 2002), and an
// error of the factor is an error of every hot pixel.
constexpr double most_gap_c = 20.0;
constexpr double most_factor_error = 0.15;
// Below this gap the factor is not worth its doubt.
constexpr double least_gap_c = 0.25;

double temperature_gap(const FrameInfo& a, const FrameInfo& b) {
  const auto ta = a.sensor_temperature_c();
  const auto tb = b.sensor_temperature_c();
  return ta && tb ? std::fabs(*ta - *tb) : 0.0;
}

}  // namespace

// More frames win a tie: their master is quieter. Fresh frames come before an old master, but
// one frame alone is as noisy as a light.
double SetChoice::frames_bonus(std::size_t set) const {
  constexpr double of_library = 2.0;
  constexpr double of_one_frame = 3.0;
  if (sets_[set].from_library) return of_library;
  if (sets_[set].frames.size() == 1) return of_one_frame;
  return 0.1 / static_cast<double>(sets_[set].frames.size());
}

std::optional<std::size_t> SetChoice::matched_dark(const FrameInfo& frame, double stretch) const {
  MatchTolerances tolerances = tolerances_;
  tolerances.temperature_c *= stretch;
  return best_set(FrameKind::dark, [&](std::size_t s) {
    const auto& dark = set_info(s);
    const bool fits = same_read_out(dark, frame) && same_exposure(dark, frame, tolerances) &&
                      same_temperature(dark, frame, tolerances);
    return fits ? temperature_gap(dark, frame) + frames_bonus(s) : no;
  });
}

std::optional<std::size_t> SetChoice::matched_bias(const FrameInfo& frame) const {
  return best_set(FrameKind::bias, [&](std::size_t s) {
    return same_read_out(set_info(s), frame) ? temperature_gap(set_info(s), frame) + frames_bonus(s)
                                             : no;
  });
}

std::optional<std::size_t> SetChoice::bias_like_dark(const FrameInfo& frame) const {
  return best_set(FrameKind::dark, [&](std::size_t s) {
    const auto& dark = set_info(s);
    if (!same_read_out(dark, frame) || !dark.exposure_s || !frame.exposure_s) return no;
    const double limit = std::max(short_dark_s, short_dark_share * *frame.exposure_s);
    return *dark.exposure_s <= limit ? *dark.exposure_s : no;
  });
}

std::optional<ScaledDark> SetChoice::scaling(std::size_t set, const FrameInfo& frame, double zero_s,
                                             double most) const {
  const auto& dark = set_info(set);
  if (!frame.exposure_s || !dark.exposure_s || !(*dark.exposure_s > zero_s)) return std::nullopt;
  if (!same_read_out(dark, frame)) return std::nullopt;
  ScaledDark scaled{set, std::max(*frame.exposure_s - zero_s, 0.0) / (*dark.exposure_s - zero_s),
                    1.0, 0.0};
  const auto doubling =
      set < darks_.doubling.size() ? darks_.doubling[set] : std::optional<sensor::Doubling>();
  const auto from = dark.sensor_temperature_c();
  const auto to = frame.sensor_temperature_c();
  if (doubling && from && to && std::fabs(*to - *from) > least_gap_c) {
    const double steps = (*to - *from) / doubling->kelvin;
    scaled.temperature_factor = std::exp2(steps);
    scaled.temperature_error =
        std::log(2.0) * std::fabs(steps) * doubling->error_kelvin / doubling->kelvin;
    if (std::fabs(*to - *from) > most_gap_c || scaled.temperature_error > most_factor_error) {
      return std::nullopt;
    }
  } else if (!same_temperature(dark, frame, tolerances_)) {
    return std::nullopt;
  }
  if (!(scaled.factor() > 0.0 && scaled.factor() <= most)) return std::nullopt;
  return scaled;
}

std::optional<ScaledDark> SetChoice::scalable_dark(const FrameInfo& frame, double zero_s) const {
  const auto best = best_set(FrameKind::dark, [&](std::size_t s) {
    const auto scaled = scaling(s, frame, zero_s);
    if (!scaled || (s < darks_.refused.size() && !darks_.refused[s].empty())) return no;
    return std::fabs(std::log(scaled->exposure_factor)) +
           std::fabs(std::log(scaled->temperature_factor));
  });
  return best ? scaling(*best, frame, zero_s) : std::nullopt;
}

std::string SetChoice::refusal(const FrameInfo& frame) const {
  for (std::size_t s = 0; s < sets_.size() && s < darks_.refused.size(); ++s) {
    if (sets_[s].kind != FrameKind::dark || darks_.refused[s].empty()) continue;
    if (scaling(s, frame)) return darks_.refused[s];
  }
  return {};
}

template <typename Fits>
std::optional<std::size_t> SetChoice::nearest_flat(const FrameInfo& light, const Fits& fits) const {
  return best_set(FrameKind::flat, [&](std::size_t s) {
    const auto& flat = set_info(s);
    if (!fits(flat)) return no;
    const double days =
        flat.start_s && light.start_s ? std::fabs(*flat.start_s - *light.start_s) / 86400.0 : 0.0;
    return days + frames_bonus(s);
  });
}

std::optional<std::size_t> SetChoice::flat(const FrameInfo& light) const {
  return nearest_flat(light,
                      [&](const FrameInfo& flat) { return same_optics(flat, light, tolerances_); });
}

std::optional<std::size_t> SetChoice::flat_of_unknown_filter(const FrameInfo& light) const {
  const auto fits = [&](const FrameInfo& flat) {
    return same_telescope(flat, light, tolerances_) &&
           (flat.filter.empty() || light.filter.empty());
  };
  std::string only;
  for (const auto& set : sets_) {
    const auto& info = inventory_.frames[set.frames.front()].info;
    if (set.kind != FrameKind::flat || !fits(info)) continue;
    const std::string filter = filter_key(info.filter);
    if (!only.empty() && filter != only) return std::nullopt;
    only = filter;
  }
  return nearest_flat(light, fits);
}

}  // namespace coldframe::session
