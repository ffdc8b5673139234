#include "coldframe/sensor/ladders.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/least_squares.hpp"

namespace coldframe::sensor {
namespace {

constexpr double same_temperature_c = 1.5;
constexpr double same_exposure_share = 0.02;
/// Level and noise contradict each other beyond this many errors.
constexpr double clamp_sigma = 5.0;
constexpr double low_share = 0.05;
constexpr double high_share = 0.95;
constexpr std::size_t least_exposures = 3;
/// A lamp that changes more than this between equal exposures says nothing about linearity.
constexpr double steady_lamp = 0.02;

bool same_exposure(double a, double b) {
  return std::abs(a - b) <= same_exposure_share * std::max(a, b) + 1e-6;
}

struct Line {
  double offset = 0.0;
  double slope = 0.0;
  double error = 0.0;
  bool good = false;
};

Line fit_line(std::span<const double> x, std::span<const double> y, std::span<const double> w) {
  std::vector<double> design;
  for (const double value : x) {
    design.push_back(1.0);
    design.push_back(value);
  }
  const auto fit = linear_least_squares(design, 2, y, w);
  Line line;
  line.good = fit.status == FitStatus::converged && fit.rank == 2;
  if (!line.good) return line;
  line.offset = fit.coefficients[0];
  line.slope = fit.coefficients[1];
  const auto freedom = static_cast<double>(x.size()) - 2.0;
  // With points to spare the scatter may say that the errors were too small.
  const double scatter = freedom > 0.0 ? std::max(fit.sum_of_squares / freedom, 1.0) : 1.0;
  line.error = std::sqrt(fit.covariance[3] * scatter);
  return line;
}

std::size_t different_exposures(std::span<const DarkLevel* const> group) {
  std::vector<double> seen;
  for (const auto* level : group) {
    const bool known = std::any_of(seen.begin(), seen.end(),
                                   [&](double s) { return same_exposure(s, level->exposure_s); });
    if (!known) seen.push_back(level->exposure_s);
  }
  return seen.size();
}

Line level_line(std::span<const DarkLevel* const> group) {
  std::vector<double> x, y, w;
  for (const auto* level : group) {
    x.push_back(level->exposure_s);
    y.push_back(level->level_adu);
    w.push_back(1.0 / std::max(level->level_error_adu * level->level_error_adu, 1e-12));
  }
  return fit_line(x, y, w);
}

Line variance_line(std::span<const DarkLevel* const> group) {
  std::vector<double> x, y, w;
  for (const auto* level : group) {
    if (!level->variance_adu2) continue;
    x.push_back(level->exposure_s);
    y.push_back(*level->variance_adu2);
    w.push_back(1.0 / std::max(level->variance_error_adu2 * level->variance_error_adu2, 1e-12));
  }
  if (x.size() < 2) return {};
  return fit_line(x, y, w);
}

std::optional<DarkCurrent> rate_of(std::vector<const DarkLevel*> group,
                                   std::span<const DarkLevel> all, double gain) {
  // The black level of a bias may differ from a dark's: it helps only where darks do not suffice.
  if (different_exposures(group) < 2) {
    for (const auto& level : all) {
      if (level.is_bias) group.push_back(&level);
    }
  }
  if (different_exposures(group) < 2) return std::nullopt;
  DarkCurrent rate;
  for (const auto* level : group) {
    if (!level->is_bias) rate.temperature_c = level->temperature_c;
    rate.longest_s = std::max(rate.longest_s, level->exposure_s);
  }
  rate.exposures = static_cast<int>(different_exposures(group));
  const Line level = level_line(group);
  if (!level.good) return std::nullopt;
  rate.adu_per_s = rate.level_adu_per_s = level.slope;
  rate.error_adu_per_s = rate.level_error = level.error;
  const Line noise = gain > 0.0 ? variance_line(group) : Line{};
  if (noise.good) {
    // Dark electrons are Poisson: variance(ADU^2) = rate t / gain with the rate in ADU/s.
    rate.noise_adu_per_s = noise.slope * gain;
    rate.noise_error = noise.error * gain;
    const double gap = *rate.noise_adu_per_s - level.slope;
    const double error = std::hypot(level.error, *rate.noise_error);
    if (gap > clamp_sigma * error && level.slope < 0.5 * *rate.noise_adu_per_s) {
      rate.level_is_clamped = true;
      rate.method = DarkMethod::variance;
      rate.adu_per_s = *rate.noise_adu_per_s;
      rate.error_adu_per_s = *rate.noise_error;
    }
  }
  return rate;
}

}  // namespace

std::vector<DarkCurrent> dark_currents(std::span<const DarkLevel> levels, double gain_e_per_adu) {
  std::vector<std::vector<const DarkLevel*>> groups;
  for (const auto& level : levels) {
    if (level.is_bias) continue;
    const auto home = std::find_if(groups.begin(), groups.end(), [&](const auto& group) {
      const auto& t = group.front()->temperature_c;
      return !t || !level.temperature_c ||
             std::abs(*t - *level.temperature_c) <= same_temperature_c;
    });
    if (home != groups.end()) {
      home->push_back(&level);
    } else {
      groups.push_back({&level});
    }
  }
  std::vector<DarkCurrent> rates;
  for (auto& group : groups) {
    if (auto rate = rate_of(std::move(group), levels, gain_e_per_adu)) rates.push_back(*rate);
  }
  std::stable_sort(rates.begin(), rates.end(), [](const DarkCurrent& a, const DarkCurrent& b) {
    return a.temperature_c.value_or(0.0) < b.temperature_c.value_or(0.0);
  });
  return rates;
}

std::optional<Doubling> doubling_temperature(std::span<const DarkCurrent> rates) {
  std::vector<double> x, y, w;
  for (const auto& rate : rates) {
    // The logarithm of a figure that may be zero says nothing.
    if (!rate.temperature_c || !(rate.adu_per_s > 3.0 * rate.error_adu_per_s)) continue;
    x.push_back(*rate.temperature_c);
    y.push_back(std::log2(rate.adu_per_s));
    const double error = std::max(rate.error_adu_per_s / rate.adu_per_s, 1e-6) / std::log(2.0);
    w.push_back(1.0 / (error * error));
  }
  if (x.size() < 2) return std::nullopt;
  const Line line = fit_line(x, y, w);
  if (!line.good || !(line.slope > 0.0)) return std::nullopt;
  return Doubling{1.0 / line.slope, line.error / (line.slope * line.slope),
                  static_cast<int>(x.size())};
}

Linearity linearity(std::span<const LightLevel> levels, double full_adu) {
  Linearity result;
  result.departures.assign(levels.size(), std::numeric_limits<double>::quiet_NaN());
  std::vector<double> x, y, w;
  std::vector<std::size_t> places;
  for (std::size_t i = 0; i < levels.size(); ++i) {
    const auto& level = levels[i];
    if (level.signal_adu < low_share * full_adu || level.signal_adu > high_share * full_adu) {
      continue;
    }
    // Dim levels differ by noise alone.
    result.lamp_spread = std::max(result.lamp_spread, level.lamp_spread);
    x.push_back(level.exposure_s);
    y.push_back(level.signal_adu);
    w.push_back(1.0 / (level.signal_adu * level.signal_adu));
    places.push_back(i);
  }
  result.exposures = static_cast<int>(x.size());
  if (x.size() < least_exposures) return result;
  if (result.lamp_spread > steady_lamp) {
    result.status = Linearity::Status::light_not_constant;
    return result;
  }
  const Line line = fit_line(x, y, w);
  if (!line.good || !(line.slope > 0.0)) {
    result.status = Linearity::Status::light_not_constant;
    return result;
  }
  result.status = Linearity::Status::measured;
  result.lowest_adu = *std::min_element(y.begin(), y.end());
  result.highest_adu = *std::max_element(y.begin(), y.end());
  for (std::size_t k = 0; k < x.size(); ++k) {
    const double departure = y[k] / (line.offset + line.slope * x[k]) - 1.0;
    result.departures[places[k]] = departure;
    result.mean += std::abs(departure) / static_cast<double>(x.size());
    if (std::abs(departure) > std::abs(result.largest)) {
      result.largest = departure;
      result.largest_at_adu = y[k];
    }
  }
  return result;
}

}  // namespace coldframe::sensor
