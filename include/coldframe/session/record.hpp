/// \file
/// The session's record: what `session.json`, `subs.csv` and the report say. Schema 1 (design
/// section 6).
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/core/transform.hpp"
#include "coldframe/session/inventory.hpp"
#include "coldframe/stack/trails.hpp"

namespace coldframe::session {

struct CameraRecord {
  std::string name, read_out, source = "unknown";
  std::optional<double> gain_setting, offset, gain_e_per_adu, read_noise_e, saturation_adu;
  int binning = 1;
};

struct MasterRecord {
  std::string kind, path;
  int frames = 0;
  std::optional<double> exposure_s, temperature_c, noise_adu;
  std::string filter;
  std::vector<std::string> notes;
};

struct ResultRecord {
  std::string object, filter, path, preview, flat_sky_path, reference, unit;
  int subs_total = 0, subs_kept = 0;
  double exposure_s = 0.0;
  std::optional<double> noise_per_px, fwhm_px, fwhm_arcsec, noise_correlation;
  int planes = 1;
};

struct SubRecord {
  std::string path;
  int result = 0;
  int camera = 0;
  std::vector<int> masters;
  std::string night, start, filter, reason;
  bool kept = false;
  std::optional<double> exposure_s, fwhm_px, fwhm_arcsec, ellipticity, position_angle_deg,
      sky_per_s, noise_per_px, transparency, weight, residual_px, clipped_low, clipped_high;
  std::optional<int> stars, matched_stars;
  std::optional<Transform> transform;
  std::vector<stack::Trail> trails;  ///< in the sub's own pixels
};

struct StageTime {
  std::string stage;
  double wall_s = 0.0;
  double cpu_s = 0.0;
};

struct SessionRecord {
  std::vector<CameraRecord> cameras;
  std::vector<MasterRecord> masters;
  std::vector<Warning> warnings;
  std::vector<LeftOut> left_out;
  std::vector<ResultRecord> results;
  std::vector<SubRecord> subs;
  std::vector<StageTime> timings;
  std::string state = "running";  ///< "running" or "done"
  std::size_t memory_bytes = 0;
  std::size_t peak_memory_bytes = 0;
  int measured = 0;  ///< subs measured in this run
  int reused = 0;    ///< measurements taken from OUT/measure
};

[[nodiscard]] std::string record_json(const SessionRecord& record);
[[nodiscard]] std::string subs_csv(const SessionRecord& record);
[[nodiscard]] std::string report_page(const SessionRecord& record,
                                      const std::filesystem::path& out);

}  // namespace coldframe::session
