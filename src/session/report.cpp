#include <fmt/format.h>

#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/record.hpp"
#include "coldframe/view/picture.hpp"
#include "coldframe/view/report.hpp"

namespace coldframe::session {
namespace {

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
  sub.trails = static_cast<int>(s.trails.size());
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

}  // namespace

std::string report_page(const SessionRecord& record, const std::filesystem::path& out) {
  view::Report report;
  report.title = record.results.empty() ? "Session" : record.results.front().object;
  for (std::size_t i = 0; i < record.results.size(); ++i) {
    const auto& r = record.results[i];
    view::ReportResult result;
    result.title = title_of(r);
    result.file = r.path;
    result.png_base64 = picture_of(out, r);
    result.summary = r.path.empty() ? "No result: no sub could be used." : summary_of(r);
    if (!r.path.empty()) result.facts = facts_of(r);
    for (const auto& s : record.subs) {
      if (s.result == static_cast<int>(i)) result.subs.push_back(sub_of(s));
    }
    report.results.push_back(std::move(result));
  }
  for (const auto& m : record.masters) {
    std::string detail = fmt::format("{} frames", m.frames);
    if (m.exposure_s) detail += fmt::format(", {:g} s", *m.exposure_s);
    if (m.temperature_c) detail += fmt::format(", {:.1f} C", *m.temperature_c);
    if (!m.filter.empty()) detail += ", filter " + m.filter;
    if (m.noise_adu) detail += fmt::format(", noise of a pixel {:.3g}", *m.noise_adu);
    for (const auto& note : m.notes) detail += "; " + note;
    report.masters.push_back({m.kind, m.path, detail});
  }
  for (const auto& w : record.warnings) {
    std::string text = w.message;
    if (!w.files.empty()) {
      text +=
          fmt::format(" ({}{})", w.files.front(),
                      w.files.size() > 1 ? fmt::format(" and {} more", w.files.size() - 1) : "");
    }
    report.warnings.emplace_back(w.code, text);
  }
  for (const auto& h : record.hints) report.warnings.emplace_back("hint: " + h.code, h.message);
  for (const auto& l : record.left_out) report.left_out.emplace_back(l.name, l.why + "; " + l.mend);
  report.provenance.emplace_back("Program", fmt::format("coldframe {}", version()));
  report.provenance.emplace_back("Memory order", fmt::format("{} MiB", record.memory_bytes >> 20U));
  report.provenance.emplace_back("Peak memory",
                                 fmt::format("{} MiB", record.peak_memory_bytes >> 20U));
  for (const auto& t : record.timings) {
    report.provenance.emplace_back("Time of " + t.stage,
                                   fmt::format("{:.2f} s wall, {:.2f} s CPU", t.wall_s, t.cpu_s));
  }
  return view::report_html(report);
}

}  // namespace coldframe::session
