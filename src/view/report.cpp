#include "coldframe/view/report.hpp"

#include <fmt/format.h>

#include <algorithm>

#include "html.hpp"

namespace coldframe::view {
namespace {

using Value = std::optional<double> ReportSub::*;

struct Column {
  const char* name;
  Value value;
  int digits;  ///< significant ones; negative: that many decimals
};

constexpr Column columns[] = {{"Exposure, s", &ReportSub::exposure_s, 3},
                              {"Stars", &ReportSub::stars, 1},
                              {"FWHM, px", &ReportSub::fwhm_px, 3},
                              {"Ellipticity", &ReportSub::ellipticity, -3},
                              {"Sky per s", &ReportSub::sky_per_s, 4},
                              {"Noise per px", &ReportSub::noise_per_px, 3},
                              {"Transparency", &ReportSub::transparency, 3},
                              {"Weight", &ReportSub::weight, 3},
                              {"Registration, px", &ReportSub::residual_px, -3},
                              {"Samples rejected, %", &ReportSub::clipped_share, 2}};

struct Chart {
  const char* name;
  const char* unit;
  Value value;
};

constexpr Chart charts[] = {{"Star width (FWHM)", "px", &ReportSub::fwhm_px},
                            {"Ellipticity", "", &ReportSub::ellipticity},
                            {"Sky brightness", "per px and s", &ReportSub::sky_per_s},
                            {"Transparency", "relative", &ReportSub::transparency},
                            {"Stars found", "", &ReportSub::stars},
                            {"Weight in the result", "", &ReportSub::weight}};

// Pairs as a table of two columns, the first one the row's heading.
std::string pair_table(const std::vector<std::pair<std::string, std::string>>& pairs) {
  std::string html = "<table class=\"facts\"><tbody>\n";
  for (const auto& [name, value] : pairs) {
    html += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td></tr>\n", html_escape(name),
                        html_escape(value));
  }
  return html + "</tbody></table>\n";
}

std::string sub_row(const ReportSub& sub, std::size_t number_in_list) {
  std::string row = fmt::format(
      "<tr class=\"{}\"><td class=\"n\">{}</td><th scope=\"row\">{}</th><td "
      "class=\"state\">{}</td>",
      sub.kept ? "stay" : "left", number_in_list, html_escape(sub.path),
      sub.kept ? "kept" : "left out");
  row += fmt::format("<td class=\"why\">{}</td><td class=\"when\">{}</td>", html_escape(sub.reason),
                     html_escape(sub.start));
  for (const auto& column : columns) {
    auto value = sub.*column.value;
    if (value && column.value == &ReportSub::clipped_share) value = 100.0 * *value;
    row += fmt::format("<td class=\"n\">{}</td>", number(value, column.digits));
  }
  return row + fmt::format("<td class=\"n\">{}</td></tr>\n", sub.trails);
}

std::string sub_table(const ReportResult& result, std::size_t id) {
  std::string html = fmt::format(
      "<h3 id=\"subs-{0}\">Subs</h3>\n<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-labelledby=\"subs-{0}\"><table>\n",
      id);
  html +=
      "<caption>Every sub in the order of time, with what was measured in "
      "it.</caption>\n<thead><tr>";
  html +=
      "<th scope=\"col\" class=\"n\">No.</th><th scope=\"col\">Sub</th><th scope=\"col\">State</th>"
      "<th scope=\"col\">Reason</th><th scope=\"col\">Start (UTC)</th>";
  for (const auto& column : columns)
    html += fmt::format("<th scope=\"col\" class=\"n\">{}</th>", column.name);
  html += "<th scope=\"col\" class=\"n\">Trails</th></tr></thead>\n<tbody>\n";
  for (std::size_t i = 0; i < result.subs.size(); ++i) html += sub_row(result.subs[i], i + 1);
  return html + "</tbody></table></div>\n";
}

std::string chart_block(const ReportResult& result) {
  std::string figures;
  for (const auto& chart : charts) {
    std::vector<ChartPoint> points;
    for (std::size_t i = 0; i < result.subs.size(); ++i) {
      const auto& sub = result.subs[i];
      points.push_back({static_cast<double>(i + 1), sub.*chart.value, !sub.kept, sub.path});
    }
    const auto svg = chart_svg(chart.name, chart.unit, points);
    if (!svg.empty())
      figures += fmt::format("<figure><figcaption>{}</figcaption>{}</figure>\n", chart.name, svg);
  }
  if (figures.empty()) return "";
  return "<h3>The session sub by sub</h3>\n<p class=\"quiet\">Filled dots are kept subs, hollow "
         "dots were left out. "
         "Numbers along the bottom are those of the table.</p>\n<div class=\"charts\">\n" +
         figures + "</div>\n";
}

std::string left_out_subs(const ReportResult& result) {
  std::string items;
  for (const auto& sub : result.subs) {
    if (sub.kept) continue;
    items += fmt::format("<li><b>{}</b>: {}</li>\n", html_escape(sub.path),
                         html_escape(sub.reason.empty() ? "no reason was recorded" : sub.reason));
  }
  if (items.empty()) return "";
  return "<h3>Subs left out, and why</h3>\n<ul>\n" + items + "</ul>\n";
}

std::string picture_block(const ReportResult& result) {
  if (result.png_base64.empty()) return "";
  const auto title = html_escape(result.title);
  return fmt::format(
      "<figure><img src=\"data:image/png;base64,{}\" alt=\"Stretched picture of {}\">"
      "<figcaption>{}: brightness is compressed so that faint light shows; measure in {}, not here."
      "</figcaption></figure>\n",
      html_escape(result.png_base64), title, title,
      result.file.empty() ? std::string("the FITS file") : html_escape(result.file));
}

std::string result_block(const ReportResult& result, std::size_t id) {
  std::string html =
      fmt::format("<section aria-labelledby=\"result-{0}\"><h2 id=\"result-{0}\">{1}</h2>\n", id,
                  html_escape(result.title));
  html += picture_block(result);
  if (!result.summary.empty())
    html += fmt::format("<p class=\"lead\">{}</p>\n", html_escape(result.summary));
  if (!result.facts.empty()) html += "<h3>Facts</h3>\n" + pair_table(result.facts);
  html += left_out_subs(result);
  html += chart_block(result);
  if (!result.subs.empty()) html += sub_table(result, id);
  return html + "</section>\n";
}

std::string warning_block(const Report& report) {
  if (report.warnings.empty()) return "";
  std::string html =
      "<section aria-labelledby=\"warnings\"><h2 id=\"warnings\">Warnings, and what to do</h2>\n";
  for (const auto& [code, text] : report.warnings) {
    html += fmt::format("<p class=\"warning\"><strong>{}</strong>: {}</p>\n", html_escape(code),
                        html_escape(text));
  }
  return html + "</section>\n";
}

std::string left_out_files(const Report& report) {
  if (report.left_out.empty()) return "";
  std::string html =
      "<section aria-labelledby=\"left-out\"><h2 id=\"left-out\">Files that could not be "
      "used</h2>\n"
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-labelledby=\"left-out\"><table><thead><tr><th scope=\"col\">File</th>"
      "<th scope=\"col\">Why, and what to do</th></tr></thead><tbody>\n";
  for (const auto& [file, why] : report.left_out) {
    html += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td></tr>\n", html_escape(file),
                        html_escape(why));
  }
  return html + "</tbody></table></div></section>\n";
}

std::string master_block(const Report& report) {
  if (report.masters.empty()) return "";
  std::string html =
      "<section aria-labelledby=\"masters\"><h2 id=\"masters\">Masters</h2>\n"
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-labelledby=\"masters\"><table><thead><tr><th scope=\"col\">File</th>"
      "<th scope=\"col\">Kind</th><th scope=\"col\">Made of</th></tr></thead><tbody>\n";
  for (const auto& master : report.masters) {
    html +=
        fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td></tr>\n",
                    html_escape(master.path), html_escape(master.kind), html_escape(master.detail));
  }
  return html + "</tbody></table></div></section>\n";
}

std::string navigation(const Report& report) {
  std::string items;
  const auto item = [&](const std::string& id, std::string_view text) {
    items += fmt::format("<li><a href=\"#{}\">{}</a></li>", id, html_escape(text));
  };
  for (std::size_t i = 0; i < report.results.size(); ++i) {
    item(fmt::format("result-{}", i + 1), report.results[i].title);
  }
  if (!report.warnings.empty())
    item("warnings", fmt::format("Warnings ({})", report.warnings.size()));
  if (!report.left_out.empty())
    item("left-out", fmt::format("Files not used ({})", report.left_out.size()));
  if (!report.masters.empty()) item("masters", "Masters");
  if (!report.provenance.empty()) item("provenance", "How it was made");
  return items.empty() ? ""
                       : "<nav aria-label=\"Parts of this page\"><ul>" + items + "</ul></nav>\n";
}

}  // namespace

std::string report_html(const Report& report) {
  const auto title = html_escape(report.title.empty() ? std::string("Session") : report.title);
  std::string html =
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      // Nothing may be fetched or executed, whatever a header's text holds.
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
      "style-src 'unsafe-inline'\">\n<title>" +
      title + "</title>\n<style>";
  html += report_style();
  html += "</style></head>\n<body><div class=\"page\">\n<header><h1>" + title + "</h1>\n";
  html += navigation(report) + "</header>\n<main>\n";
  for (std::size_t i = 0; i < report.results.size(); ++i)
    html += result_block(report.results[i], i + 1);
  if (report.results.empty()) html += "<p class=\"lead\">There is no result to show.</p>\n";
  html += warning_block(report) + left_out_files(report) + master_block(report);
  html += "</main>\n";
  if (!report.provenance.empty()) {
    html += "<footer><h2 id=\"provenance\">How it was made</h2>\n" + pair_table(report.provenance) +
            "</footer>\n";
  }
  return html + "</div></body></html>\n";
}

}  // namespace coldframe::view
