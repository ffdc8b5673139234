/// \file
/// What each night of a session added to a result. A night lasts from noon to noon of the site's
/// mean solar time, told by its longitude; without one, of UTC.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "coldframe/session/inventory.hpp"
#include "coldframe/session/record.hpp"

namespace coldframe::session {

struct NightShare {
  std::string night;   ///< date of its evening; empty: the headers tell no time
  std::string folder;  ///< of the session, when several were given
  int subs_total = 0;
  int subs_kept = 0;
  double exposure_s = 0.0;      ///< of the kept subs
  std::optional<double> share;  ///< of the result's (signal/noise)^2 for stars; all nights sum to 1
  /// Medians over the kept subs.
  std::optional<double> fwhm_px, fwhm_arcsec, sky_per_s, transparency;
};

/// By folder as given, then by date.
[[nodiscard]] std::vector<NightShare> nights_of(const SessionRecord& record, int result);

/// One line for people.
[[nodiscard]] std::string night_text(const NightShare& night);

/// Warning (code "night-utc") when lights of several nights name no longitude.
[[nodiscard]] std::optional<Warning> night_split_note(const Inventory& inventory);

}  // namespace coldframe::session
