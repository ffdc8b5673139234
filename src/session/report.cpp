#include <fmt/format.h>

#include <array>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/next_night.hpp"
#include "coldframe/session/nights.hpp"
#include "coldframe/session/record.hpp"
#include "coldframe/session/slope_origin.hpp"
#include "coldframe/view/picture.hpp"
#include "coldframe/view/report.hpp"
#include "report_pictures.hpp"

namespace coldframe::session {
namespace {

// Multiplied light tilts the stars' fluxes too, and no subtraction takes it out.
std::string slope_words(const SlopeOrigin& s) {
  std::string text = fmt::format(
      "{:.1f}% across the frame (+-{:.1f}) stays with the sky, {:.1f}% (+-{:.1f}) with the sensor "
      "as a share of the light: an error of the flat",
      100.0 * std::hypot(s.sky.x, s.sky.y), 100.0 * s.sky_error,
      100.0 * std::hypot(s.multiplied.x, s.multiplied.y), 100.0 * s.multiplied_error);
  if (s.level_told) {
    text += fmt::format("; {:.1f}% (+-{:.1f}) is a constant amount on the sensor",
                        100.0 * std::hypot(s.leak.x, s.leak.y), 100.0 * s.leak_error);
  }
  return text;
}

std::string duration(double seconds) {
  if (seconds >= 3600.0) return fmt::format("{:.1f} h", seconds / 3600.0);
  if (seconds >= 60.0) return fmt::format("{:.0f} min", seconds / 60.0);
  return fmt::format("{:.0f} s", seconds);
}

std::string summary_of(const ResultRecord& r) {
  const int dropped = r.subs_total - r.subs_kept;
  std::string text = fmt::format("{} of {} subs were combined, {} of exposure in all.", r.subs_kept,
                                 r.subs_total, duration(r.exposure_s));
  text += dropped == 0 ? " No sub had to be left out."
                       : fmt::format(" {} {} left out; the table says why.", dropped,
                                     dropped == 1 ? "sub was" : "subs were");
  if (r.fwhm_px) {
    text += fmt::format(
        " Stars in the result are {:.2f} px wide{}, the noise is {:.3g} {} per pixel.", *r.fwhm_px,
        r.fwhm_arcsec ? fmt::format(" ({:.2f} arcsec)", *r.fwhm_arcsec) : std::string(),
        r.noise_per_px.value_or(0.0), r.unit);
  }
  return text;
}

// By halves: what the data themselves say of more subs.
std::string growth_of(const ResultRecord& r) {
  std::string text;
  for (const auto& step : r.growth.steps) {
    text += fmt::format("{}{} {}: {:.3g}", text.empty() ? "" : ", ", step.subs,
                        step.subs == 1 ? "sub" : "subs", step.noise);
  }
  text = fmt::format(
      "noise of {0} x {0} px, from sets of subs compared: {1}; it falls with their number "
      "to the power {2:.2f} +- {3:.2f} (-0.5 at best)",
      pipeline::depth_block_px, text, r.growth.slope, r.growth.slope_error);
  if (r.doubling_mag) {
    text += fmt::format("; as many subs again would add {:.2f} mag", *r.doubling_mag);
  }
  return text;
}

std::vector<std::pair<std::string, std::string>> facts_of(const ResultRecord& r) {
  std::vector<std::pair<std::string, std::string>> facts;
  facts.emplace_back("File", r.path);
  if (!r.flat_sky_path.empty()) facts.emplace_back("Sky gradient removed", r.flat_sky_path);
  if (!r.drizzle_path.empty()) facts.emplace_back("Drizzled", r.drizzle_path);
  facts.emplace_back("Subs kept", fmt::format("{} of {}", r.subs_kept, r.subs_total));
  facts.emplace_back("Exposure", duration(r.exposure_s));
  facts.emplace_back("Reference sub", r.reference);
  facts.emplace_back("Unit", r.unit);
  if (r.noise_per_px) facts.emplace_back("Noise per pixel", fmt::format("{:.4g}", *r.noise_per_px));
  if (r.noise_correlation) {
    facts.emplace_back("Large-aperture error factor", fmt::format("{:.3f}", *r.noise_correlation));
  }
  if (r.snr_of_ideal) {
    facts.emplace_back("Signal to noise, of the ideal combination",
                       fmt::format("{:.1f}%", 100.0 * *r.snr_of_ideal));
  }
  if (!r.growth.steps.empty()) facts.emplace_back("Growth of depth", growth_of(r));
  if (r.fwhm_px) facts.emplace_back("FWHM", fmt::format("{:.2f} px", *r.fwhm_px));
  if (r.fwhm_arcsec)
    facts.emplace_back("FWHM on the sky", fmt::format("{:.2f} arcsec", *r.fwhm_arcsec));
  return facts;
}

view::ReportSub sub_of(const SubRecord& s) {
  view::ReportSub sub;
  sub.path = s.path;
  sub.start = s.start;
  sub.kept = s.kept;
  sub.reason = s.reason;
  sub.exposure_s = s.exposure_s;
  if (s.stars) sub.stars = static_cast<double>(*s.stars);
  sub.fwhm_px = s.fwhm_px;
  sub.ellipticity = s.ellipticity;
  sub.sky_per_s = s.sky_per_s;
  sub.noise_per_px = s.noise_per_px;
  sub.transparency = s.transparency;
  sub.weight = s.weight;
  sub.residual_px = s.residual_px;
  if (s.clipped_low && s.clipped_high) sub.clipped_share = *s.clipped_low + *s.clipped_high;
  for (const auto& t : s.canvas_trails) {
    sub.trails.push_back({{t.x1, t.y1}, {t.x2, t.y2}, t.width_px});
  }
  sub.frame = s.frame;
  for (const auto& r : s.residuals) sub.residuals.push_back({r.sub.x, r.sub.y, r.dx, r.dy});
  return sub;
}

std::string picture_of(const std::filesystem::path& out, const ResultRecord& r) {
  if (r.preview.empty()) return "";
  try {
    return view::base64(fits::read_text(out / r.preview));
  } catch (const Error&) {
    return "";
  }
}

std::string title_of(const ResultRecord& r) {
  return r.filter.empty() ? r.object : r.object + ", " + r.filter;
}

// Rows from the top, as a picture shows them; the record's run from the bottom.
void add_width_map(const SessionRecord& record, std::size_t index, view::ReportResult& result) {
  const auto& r = record.results[index];
  std::array<std::vector<double>, 9> cells;
  for (const auto& s : record.subs) {
    if (s.result != static_cast<int>(index) || !s.kept || s.field.stars == 0) continue;
    for (std::size_t c = 0; c < 9; ++c) {
      if (s.field.fwhm_map_px[c]) cells[c].push_back(*s.field.fwhm_map_px[c]);
    }
  }
  if (r.field_subs == 0) return;
  for (std::size_t row = 0; row < 3; ++row) {
    for (std::size_t column = 0; column < 3; ++column) {
      const auto& cell = cells[3 * (2 - row) + column];
      result.width_map.push_back(cell.empty() ? std::optional<double>() : median(cell));
    }
  }
  result.width_words = fmt::format(
      "Tilt: {:.2f} +- {:.2f} px from one side of the field to the other, towards {:.0f} degrees "
      "(0: right, 90: up). Middle to corners: {:+.2f} +- {:.2f} px. Stars in the corners are drawn "
      "out by {:.3f} +- {:.3f}.",
      r.tilt_px.value, r.tilt_px.error, r.tilt_direction_deg, r.curvature_px.value,
      r.curvature_px.error, r.corner_elongation.value, r.corner_elongation.error);
}

view::ReportResult result_of(const SessionRecord& record, std::size_t index,
                             const std::filesystem::path& out) {
  const auto& r = record.results[index];
  view::ReportResult result;
  result.title = title_of(r);
  result.file = r.path;
  result.png_base64 = picture_of(out, r);
  result.summary = r.path.empty() ? "No result: no sub could be used." : summary_of(r);
  if (!r.path.empty()) result.facts = facts_of(r);
  if (const auto slope = slope_origin(record.subs, static_cast<int>(index)); slope.told) {
    result.facts.emplace_back("Slope of the sky", slope_words(slope));
  }
  const auto nights = nights_of(record, static_cast<int>(index));
  for (std::size_t n = 0; n < nights.size() && nights.size() > 1; ++n) {
    result.facts.emplace_back(fmt::format("Night {}", n + 1), night_text(nights[n]));
  }
  result.canvas = r.canvas;
  result.stars = r.star_places;
  if (r.canvas.count() > 0) result.layers = result_layers(r, out);
  for (const auto& s : record.subs) {
    if (s.result != static_cast<int>(index)) continue;
    result.subs.push_back(sub_of(s));
    result.subs.back().thumbnail_base64 = thumbnail_of(s, r.canvas, record.subs.size());
  }
  add_width_map(record, index, result);
  for (const auto& step : r.growth.steps) {
    result.growth.push_back({static_cast<double>(step.subs), step.noise});
  }
  if (!r.growth.steps.empty()) result.growth_words = growth_of(r);
  return result;
}

view::ReportMaster master_of(const MasterRecord& m) {
  std::string detail = fmt::format("{} frames", m.frames);
  if (m.exposure_s) detail += fmt::format(", {:g} s", *m.exposure_s);
  if (m.temperature_c) detail += fmt::format(", {:.1f} C", *m.temperature_c);
  if (!m.filter.empty()) detail += ", filter " + m.filter;
  if (m.noise_adu) detail += fmt::format(", noise of a pixel {:.3g}", *m.noise_adu);
  for (const auto& note : m.notes) detail += "; " + note;
  return {m.kind, m.path, detail};
}

void add_provenance(const SessionRecord& record, view::Report& report) {
  report.provenance.emplace_back("Program", fmt::format("coldframe {}", version()));
  report.provenance.emplace_back("Memory order", fmt::format("{} MiB", record.memory_bytes >> 20U));
  report.provenance.emplace_back("Peak memory",
                                 fmt::format("{} MiB", record.peak_memory_bytes >> 20U));
  for (const auto& t : record.timings) {
    report.provenance.emplace_back("Time of " + t.stage,
                                   fmt::format("{:.2f} s wall, {:.2f} s CPU", t.wall_s, t.cpu_s));
  }
}

}  // namespace

std::string report_page(const SessionRecord& record, const std::filesystem::path& out) {
  view::Report report;
  report.title = record.results.empty() ? "Session" : record.results.front().object;
  for (std::size_t i = 0; i < record.results.size(); ++i) {
    report.results.push_back(result_of(record, i, out));
  }
  for (const auto& m : record.masters) report.masters.push_back(master_of(m));
  for (const auto& w : record.warnings) {
    std::string text = w.message;
    if (!w.files.empty()) {
      text +=
          fmt::format(" ({}{})", w.files.front(),
                      w.files.size() > 1 ? fmt::format(" and {} more", w.files.size() - 1) : "");
    }
    report.warnings.emplace_back(w.code, text);
  }
  for (std::size_t i = 0; i < record.results.size(); ++i) {
    for (const auto& line : next_night_lines(next_night(record, static_cast<int>(i)))) {
      report.advice.emplace_back(title_of(record.results[i]), line);
    }
  }
  for (const auto& l : record.left_out) report.left_out.emplace_back(l.name, l.why + "; " + l.mend);
  add_provenance(record, report);
  return view::report_html(report);
}

}  // namespace coldframe::session
