#include "coldframe/session/nights.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <set>

#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

// Which of the session's folders a name begins with.
std::size_t folder_of(const SessionRecord& record, const std::string& path) {
  for (std::size_t f = 0; f < record.folders.size(); ++f) {
    if (path.starts_with(record.folders[f] + "/")) return f;
  }
  return 0;
}

std::optional<double> middle(const std::vector<const SubRecord*>& subs,
                             std::optional<double> SubRecord::*field) {
  std::vector<double> values;
  for (const auto* sub : subs) {
    if (sub->kept && sub->*field) values.push_back(*(sub->*field));
  }
  return values.empty() ? std::nullopt : std::optional(median(values));
}

NightShare share_of(const std::vector<const SubRecord*>& subs) {
  NightShare night;
  night.night = subs.front()->night;
  night.subs_total = static_cast<int>(subs.size());
  double share = 0.0;
  for (const auto* sub : subs) {
    if (!sub->kept) continue;
    ++night.subs_kept;
    night.exposure_s += sub->exposure_s.value_or(0.0);
    share += sub->snr_share.value_or(0.0);
  }
  night.share = share;
  night.fwhm_px = middle(subs, &SubRecord::fwhm_px);
  night.fwhm_arcsec = middle(subs, &SubRecord::fwhm_arcsec);
  night.sky_per_s = middle(subs, &SubRecord::sky_per_s);
  night.transparency = middle(subs, &SubRecord::transparency);
  return night;
}

}  // namespace

std::vector<NightShare> nights_of(const SessionRecord& record, int result) {
  std::map<std::pair<std::size_t, std::string>, std::vector<const SubRecord*>> nights;
  bool known = false;
  for (const auto& sub : record.subs) {
    if (sub.result != result) continue;
    nights[{folder_of(record, sub.path), sub.night}].push_back(&sub);
    known = known || sub.snr_share.has_value();
  }
  std::vector<NightShare> list;
  for (const auto& [key, subs] : nights) {
    list.push_back(share_of(subs));
    if (!known) list.back().share.reset();
    if (!record.folders.empty()) list.back().folder = record.folders[key.first];
  }
  return list;
}

std::string night_text(const NightShare& night) {
  std::string text = night.night.empty() ? std::string("night not told") : night.night;
  if (!night.folder.empty()) text += fmt::format(" ({})", night.folder);
  text += fmt::format(": {} of {} subs, {:.1f} min", night.subs_kept, night.subs_total,
                      night.exposure_s / 60.0);
  if (night.share) text += fmt::format(", {:.0f}% of the (signal/noise)^2", 100.0 * *night.share);
  if (night.fwhm_arcsec) {
    text += fmt::format(", FWHM {:.2f} arcsec", *night.fwhm_arcsec);
  } else if (night.fwhm_px) {
    text += fmt::format(", FWHM {:.2f} px", *night.fwhm_px);
  }
  if (night.sky_per_s) text += fmt::format(", sky {:.3g} per s", *night.sky_per_s);
  return text;
}

std::optional<Warning> night_split_note(const Inventory& inventory) {
  std::set<std::string> nights;
  for (const auto& frame : inventory.frames) {
    if (frame.info.kind != FrameKind::light || !frame.info.start_s) continue;
    if (frame.info.site_longitude_deg) return std::nullopt;
    nights.insert(night_of(*frame.info.start_s, std::nullopt));
  }
  if (nights.size() < 2) return std::nullopt;
  return Warning{"night-utc",
                 "the headers give no longitude of the site: nights are split at noon of UTC "
                 "(offset 0); supply SITELONG in degrees, east positive, for local noon",
                 {}};
}

}  // namespace coldframe::session
