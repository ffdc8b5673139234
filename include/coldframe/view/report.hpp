/// \file
/// The session's report: one self-contained HTML page. Everything shown is escaped; the page's own
/// scripts are marked with a number drawn from its content, and no other script may run.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/view/arrow_chart.hpp"
#include "coldframe/view/layer.hpp"

namespace coldframe::view {

/// A segment in the result's pixels.
struct ReportTrail {
  Point from, to;
  double width_px = 0.0;
};

struct ReportSub {
  std::string path;
  std::string start;
  bool kept = false;
  std::string reason;
  std::optional<double> exposure_s, stars, fwhm_px, ellipticity, sky_per_s, noise_per_px,
      transparency, weight, residual_px, clipped_share;
  std::vector<ReportTrail> trails;
  std::string thumbnail_base64;  ///< PNG of `sub_thumbnail`; may be empty
  Size frame;
  std::vector<Arrow> residuals;  ///< of the registration: star by star, reference px
};

struct ChartPoint {
  double x = 0.0;
  double y = 0.0;
};

/// One way to look at a result.
struct ReportLayer {
  std::string name;
  Layer layer;      ///< its picture may be dropped once `png_base64` holds it
  Stretch stretch;  ///< of light
  std::string png_base64;
};

struct ReportResult {
  std::string title;                                       ///< object and filter
  std::string file;                                        ///< relative path of the FITS
  std::string png_base64;                                  ///< preview
  std::string summary;                                     ///< three sentences
  std::vector<std::pair<std::string, std::string>> facts;  ///< name, value
  std::vector<ReportSub> subs;
  Size canvas;  ///< of the result, px
  std::vector<ReportLayer> layers;
  std::vector<Point> stars;  ///< in the result's pixels
  /// Star width over the field, rows from the top; unset cells had too few stars.
  std::vector<std::optional<double>> width_map;
  std::string width_words;
  std::vector<ChartPoint> growth;  ///< noise against number of subs
  std::string growth_words;
};

struct ReportMaster {
  std::string kind, path, detail;
};

struct Report {
  std::string title;
  std::vector<ReportResult> results;
  std::vector<ReportMaster> masters;
  std::vector<std::pair<std::string, std::string>>
      advice;  ///< what the figures say: code, sentence
  std::vector<std::pair<std::string, std::string>> warnings;  ///< code, sentence
  std::vector<std::pair<std::string, std::string>> left_out;  ///< file, why
  std::vector<std::pair<std::string, std::string>> provenance;
};

[[nodiscard]] std::string report_html(const Report& report);

/// Text safe inside HTML and attribute values.
[[nodiscard]] std::string html_escape(std::string_view text);

}  // namespace coldframe::view
