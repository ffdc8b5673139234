/// \file
/// What series of exposures tell: dark current and how it doubles with temperature, linearity
/// (EMVA 1288 R4.0, "dark current" and "linearity").
#pragma once

#include <optional>
#include <span>
#include <vector>

namespace coldframe::sensor {

/// Frames of one exposure and temperature without light.
struct DarkLevel {
  double exposure_s = 0.0;
  std::optional<double> temperature_c;
  double level_adu = 0.0;  ///< of the pixels that are not hot
  double level_error_adu = 0.0;
  std::optional<double> variance_adu2;  ///< temporal; from a pair
  double variance_error_adu2 = 0.0;
  bool is_bias = false;
};

enum class DarkMethod { level, variance };

struct DarkCurrent {
  std::optional<double> temperature_c;
  double adu_per_s = 0.0;
  double error_adu_per_s = 0.0;
  DarkMethod method = DarkMethod::level;
  int exposures = 0;
  double longest_s = 0.0;
  /// The level says one thing and the noise another: the camera shifts its black level.
  bool level_is_clamped = false;
  double level_adu_per_s = 0.0, level_error = 0.0;     ///< slope of the level
  std::optional<double> noise_adu_per_s, noise_error;  ///< slope of the variance times the gain
};
/// One entry per temperature (within 1.5 C) that has two exposures; a bias stands in for a second
/// one. `gain_e_per_adu` 0: unknown, the noise says nothing then.
[[nodiscard]] std::vector<DarkCurrent> dark_currents(std::span<const DarkLevel> levels,
                                                     double gain_e_per_adu);

/// rate = rate_0 2^((T - T_0)/doubling), least squares on the logarithm.
struct Doubling {
  double kelvin = 0.0;
  double error_kelvin = 0.0;
  int temperatures = 0;
};
[[nodiscard]] std::optional<Doubling> doubling_temperature(std::span<const DarkCurrent> rates);

/// Mean signal above dark of the flats of one exposure.
struct LightLevel {
  double exposure_s = 0.0;
  double signal_adu = 0.0;
  int frames = 0;
  /// Largest relative difference of the frames' levels.
  double lamp_spread = 0.0;
};
struct Linearity {
  enum class Status { measured, too_few_exposures, light_not_constant };
  Status status = Status::too_few_exposures;
  int exposures = 0;
  double lowest_adu = 0.0, highest_adu = 0.0;
  double largest = 0.0;            ///< of |signal/line - 1|
  double largest_at_adu = 0.0;     ///< signal there
  double mean = 0.0;               ///< of |signal/line - 1| ("linearity error")
  double lamp_spread = 0.0;        ///< what the lamp alone may have done
  std::vector<double> departures;  ///< one per level in the range; others NaN
};
/// Line with offset, weights 1/signal^2, over 5 to 95% of `full_adu`.
[[nodiscard]] Linearity linearity(std::span<const LightLevel> levels, double full_adu);

}  // namespace coldframe::sensor
