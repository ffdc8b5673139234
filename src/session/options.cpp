#include "coldframe/session/options.hpp"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>

namespace coldframe::session {

std::size_t default_memory_bytes() {
  const long pages = sysconf(_SC_PHYS_PAGES);
  const long page = sysconf(_SC_PAGESIZE);
  constexpr std::size_t most = std::size_t{4} << 30U;
  if (pages <= 0 || page <= 0) return most / 4;
  const auto memory = static_cast<std::size_t>(pages) * static_cast<std::size_t>(page);
  return std::min(memory / 4, most);
}

std::vector<std::string> RunOptions::faults() const {
  std::vector<std::string> faults = combine.faults();
  if (gain_e_per_adu && !(*gain_e_per_adu > 0.0)) faults.emplace_back("gain must be above 0 e/ADU");
  if (saturation_adu && !(*saturation_adu > 0.0)) {
    faults.emplace_back("saturation must be above 0 ADU");
  }
  if (!(detection_sigma >= 2.0)) faults.emplace_back("detection limit must be at least 2 sigma");
  if (keep.min_transparency && (*keep.min_transparency < 0.0 || *keep.min_transparency > 1.0)) {
    faults.emplace_back("least transparency must lie between 0 and 1");
  }
  if (keep.max_ellipticity && (*keep.max_ellipticity <= 0.0 || *keep.max_ellipticity >= 1.0)) {
    faults.emplace_back("largest ellipticity must lie between 0 and 1");
  }
  if (keep.max_fwhm_px && !(*keep.max_fwhm_px > 0.0)) {
    faults.emplace_back("largest FWHM must be above 0 px");
  }
  if (lines.crosstalk) {
    for (auto& fault : lines.crosstalk->faults()) faults.push_back(std::move(fault));
  }
  if (lines.choice == LineOptions::Choice::named && sensor::mixes_colours(demosaic)) {
    faults.push_back(
        fmt::format("lines cannot be separated after demosaicing by {}, which takes "
                    "one colour's structure from the others",
                    sensor::to_string(demosaic)));
  }
  if (drizzle_scale && !(*drizzle_scale >= 1.0 && *drizzle_scale <= 3.0)) {
    faults.emplace_back("drizzle must be 1 to 3 times finer");
  }
  if (drop_size && !(*drop_size > 0.0 && *drop_size <= 1.0)) {
    faults.emplace_back("drop size must lie above 0 and not above 1 px");
  }
  return faults;
}

}  // namespace coldframe::session
