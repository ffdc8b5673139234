// The single limits of a night; private.
#pragma once

#include "coldframe/session/next_night.hpp"

namespace coldframe::session::detail {

/// The kept subs of a result and what they say together.
struct NightFigures {
  const SessionRecord* record = nullptr;
  const ResultRecord* result = nullptr;
  int index = 0;
  std::vector<const SubRecord*> all, kept;
  double fwhm_px = 0.0;       ///< mean weighted like the result; 0: unknown
  double best_fwhm_px = 0.0;  ///< of the best tenth
  std::optional<double> arcsec_per_px;
  double sky_share = 0.0;  ///< of a sub's variance; 0: unknown (no gain)
  double read_share = 0.0;
  double sky = 0.0;          ///< median level of a sub, its unit
  double block_noise = 0.0;  ///< of the result over 8 x 8 px; 0: unknown
  double common_loss = 0.0;  ///< share of (signal/noise)^2 that noise common to the subs costs
};

[[nodiscard]] NightFigures figures_of_night(const SessionRecord& record, int result);

/// Hints of the result's own rows, with what they cost.
void add_hint_limits(const NightFigures& figures, std::vector<NightLimit>& limits);
void add_flat_limits(const NightFigures& figures, std::vector<NightLimit>& limits);
void add_loss_limits(const NightFigures& figures, std::vector<NightLimit>& limits);
/// Sky, read noise, seeing, number of subs.
void add_budget(const NightFigures& figures, std::vector<NightLimit>& limits);

/// Magnitudes that come back when a loss of signal to noise is made good.
[[nodiscard]] double gain_of(double snr_loss);
/// Share of the signal to noise from a share of its square.
[[nodiscard]] double snr_loss_of(double squared_loss);

}  // namespace coldframe::session::detail
