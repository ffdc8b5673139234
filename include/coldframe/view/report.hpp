/// \file
/// The session's report: one self-contained HTML page. Everything shown is escaped.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace coldframe::view {

struct ReportSub {
  std::string path;
  std::string start;
  bool kept = false;
  std::string reason;
  std::optional<double> exposure_s, stars, fwhm_px, ellipticity, sky_per_s, noise_per_px,
      transparency, weight, residual_px, clipped_share;
  int trails = 0;
};

struct ReportResult {
  std::string title;                                       ///< object and filter
  std::string file;                                        ///< relative path of the FITS
  std::string png_base64;                                  ///< preview
  std::string summary;                                     ///< three sentences
  std::vector<std::pair<std::string, std::string>> facts;  ///< name, value
  std::vector<ReportSub> subs;
};

struct ReportMaster {
  std::string kind, path, detail;
};

struct Report {
  std::string title;
  std::vector<ReportResult> results;
  std::vector<ReportMaster> masters;
  std::vector<std::pair<std::string, std::string>> warnings;  ///< code, sentence
  std::vector<std::pair<std::string, std::string>> left_out;  ///< file, why
  std::vector<std::pair<std::string, std::string>> provenance;
};

[[nodiscard]] std::string report_html(const Report& report);

/// Text safe inside HTML and attribute values.
[[nodiscard]] std::string html_escape(std::string_view text);

/// A small SVG chart of values against index or time; unset values leave gaps;
/// `marked` points (dropped subs) are drawn hollow. Colour is never the only carrier of meaning.
struct ChartPoint {
  double x = 0.0;
  std::optional<double> y;
  bool marked = false;
  std::string label;
};
[[nodiscard]] std::string chart_svg(std::string_view title, std::string_view unit,
                                    const std::vector<ChartPoint>& points);

}  // namespace coldframe::view
