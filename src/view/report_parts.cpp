// Viewer, charts, maps and table of one result.
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
  const char* figure;
};

constexpr Chart charts[] = {{"Star width (FWHM)", "px", "fwhm"},
                            {"Ellipticity", "", "ellipticity"},
                            {"Sky brightness", "per px and s", "sky"},
                            {"Transparency", "relative", "transparency"},
                            {"Stars found", "", "stars"},
                            {"Weight in the result", "", "weight"}};

std::string sub_row(const ReportSub& sub, std::size_t result, std::size_t index) {
  std::string row = fmt::format(
      "<tr class=\"{}\" data-sub=\"{}\"><td class=\"n\">{}</td><td><input type=\"checkbox\" "
      "class=\"use\" disabled data-result=\"{}\" data-sub=\"{}\" aria-label=\"use {}\"{}></td>"
      "<th scope=\"row\">{}</th><td class=\"state\">{}</td>",
      sub.kept ? "stay" : "left", index, index + 1, result, index, html_escape(sub.path),
      sub.kept ? " checked" : "", html_escape(sub.path), sub.kept ? "kept" : "left out");
  row += fmt::format("<td class=\"why\">{}</td><td class=\"when\">{}</td>", html_escape(sub.reason),
                     html_escape(sub.start));
  for (const auto& column : columns) {
    auto value = sub.*column.value;
    if (value && column.value == &ReportSub::clipped_share) value = 100.0 * *value;
    row += fmt::format("<td class=\"n\">{}</td>", number(value, column.digits));
  }
  return row + fmt::format("<td class=\"n\">{}</td></tr>\n", sub.trails.size());
}

std::string slider(const char* name, const char* words, const char* range) {
  return fmt::format(
      "<label class=\"for-layers\">{} <input type=\"range\" class=\"{}\" {}></label>\n", words,
      name, range);
}

std::string tick(const char* name, const char* words) {
  return fmt::format("<label><input type=\"checkbox\" class=\"over {}\">{}</label>\n", name, words);
}

std::string leaf_controls(const ReportResult& result) {
  return fmt::format(
      "<div class=\"controls leaf\" role=\"group\" aria-label=\"Leaf through the subs\">\n"
      "<button type=\"button\" class=\"leaf-back\">Back</button>\n"
      "<button type=\"button\" class=\"leaf-play\" aria-pressed=\"false\">Blink</button>\n"
      "<button type=\"button\" class=\"leaf-on\">On</button>\n"
      "<label>Sub <input type=\"range\" class=\"leaf-slider\" min=\"0\" max=\"{}\" "
      "value=\"0\"></label>\n</div>\n",
      std::max<std::size_t>(result.subs.size(), 1) - 1);
}

bool has_thumbnails(const ReportResult& result) {
  return std::any_of(result.subs.begin(), result.subs.end(),
                     [](const ReportSub& s) { return !s.thumbnail_base64.empty(); });
}

}  // namespace

std::string viewer_block(const ReportResult& result, std::size_t index) {
  if (result.layers.empty()) return "";
  std::string html = fmt::format(
      "<div class=\"viewer\" hidden>\n<div class=\"stage\"><canvas tabindex=\"0\" role=\"img\" "
      "aria-label=\"Picture of {}; arrow keys move it, plus and minus enlarge, 0 shows all\">"
      "</canvas></div>\n<div class=\"controls\">\n<label>Show <select class=\"layer\" "
      "id=\"layer-{}\">\n",
      html_escape(result.title), index);
  for (std::size_t i = 0; i < result.layers.size(); ++i) {
    html +=
        fmt::format("<option value=\"{}\">{}</option>\n", i, html_escape(result.layers[i].name));
  }
  if (has_thumbnails(result)) html += "<option value=\"subs\">The subs, one by one</option>\n";
  html += "</select></label>\n";
  html += slider("strength", "Faint light", "min=\"-30\" max=\"50\" value=\"0\"");
  html += slider("darker", "Darker sky", "min=\"-30\" max=\"40\" value=\"0\"");
  html += tick("over-stars", "Stars measured") + tick("over-trails", "Trails masked");
  html +=
      "<button type=\"button\" class=\"nearer\">Enlarge</button>\n<button type=\"button\" "
      "class=\"farther\">Reduce</button>\n<button type=\"button\" class=\"all\">Show "
      "all</button>\n</div>\n";
  if (has_thumbnails(result)) html += leaf_controls(result);
  return html + "<p class=\"where quiet\" aria-live=\"polite\"></p>\n</div>\n";
}

std::string chart_block(const ReportResult& result, std::size_t index) {
  if (result.subs.empty()) return "";
  std::string html =
      "<h3>The session sub by sub</h3>\n<p class=\"quiet\">Dots are kept subs, crosses were left "
      "out. Point at one to see it here, in the table and in the other charts; the table has the "
      "same figures in words.</p>\n<p class=\"without\">The charts need scripts to be "
      "allowed.</p>\n<div class=\"peek\" hidden><img alt=\"\"><p aria-live=\"polite\"></p></div>\n"
      "<div class=\"charts\">\n";
  for (const auto& chart : charts) {
    html += fmt::format(
        "<figure><div class=\"plot\"><canvas class=\"sub-chart\" data-result=\"{0}\" "
        "data-figure=\"{1}\" data-title=\"{2}\" data-unit=\"{3}\" role=\"img\" "
        "aria-label=\"{2} of every sub; the table below has the numbers\"></canvas></div>"
        "</figure>\n",
        index, chart.figure, chart.name, chart.unit);
  }
  html += "</div>\n";
  if (result.growth.size() < 2) return html;
  return html + fmt::format(
                    "<h3>Depth against number of subs</h3>\n<p>{}</p>\n<figure><div class=\"plot\" "
                    "style=\"height: 15rem\"><canvas class=\"growth-chart\" data-result=\"{}\" "
                    "data-title=\"Noise of the result\" data-unit=\"in 8 x 8 px\" role=\"img\" "
                    "aria-label=\"Noise against number of subs\"></canvas></div></figure>\n",
                    html_escape(result.growth_words), index);
}

std::string width_block(const ReportResult& result) {
  if (result.width_map.size() != 9) return "";
  std::string html = "<h3>Star width over the field</h3>\n";
  if (!result.width_words.empty()) {
    html += fmt::format("<p>{}</p>\n", html_escape(result.width_words));
  }
  html +=
      "<table class=\"map\"><caption>Median FWHM in px over the kept subs, laid out as the "
      "sensor</caption><tbody>\n";
  for (std::size_t row = 0; row < 3; ++row) {
    html += "<tr>";
    for (std::size_t column = 0; column < 3; ++column) {
      const auto& cell = result.width_map[3 * row + column];
      html += fmt::format("<td>{}</td>", cell ? number(cell, -2) : std::string("too few stars"));
    }
    html += "</tr>\n";
  }
  return html + "</tbody></table>\n";
}

std::string sub_table(const ReportResult& result, std::size_t index) {
  if (result.subs.empty()) return "";
  std::string html = fmt::format(
      "<h3 id=\"subs-{0}\">Subs</h3>\n<div class=\"scroll\" tabindex=\"0\" role=\"region\" "
      "aria-labelledby=\"subs-{0}\"><table>\n",
      index + 1);
  html +=
      "<caption>Every sub in the order of time, with what was measured in "
      "it.</caption>\n<thead><tr>";
  html +=
      "<th scope=\"col\" class=\"n\">No.</th><th scope=\"col\">Use</th><th scope=\"col\">Sub</th>"
      "<th scope=\"col\">State</th><th scope=\"col\">Reason</th><th scope=\"col\">Start "
      "(UTC)</th>";
  for (const auto& column : columns) {
    html += fmt::format("<th scope=\"col\" class=\"n\">{}</th>", column.name);
  }
  html += "<th scope=\"col\" class=\"n\">Trails</th></tr></thead>\n<tbody>\n";
  for (std::size_t i = 0; i < result.subs.size(); ++i) html += sub_row(result.subs[i], index, i);
  return html + "</tbody></table></div>\n";
}

std::string keep_block(const Report& report) {
  const bool any = std::any_of(report.results.begin(), report.results.end(),
                               [](const ReportResult& r) { return !r.subs.empty(); });
  if (!any) return "";
  return "<section aria-labelledby=\"keep\" class=\"keep-out\" hidden><h2 id=\"keep\">Choose the "
         "subs yourself</h2>\n<p>Tick or untick subs in the tables, save the list, and run again "
         "with <code>coldframe run SESSION -o OUT --keep-list keep.txt</code>; what was measured "
         "is "
         "not measured again.</p>\n<p class=\"keep-count\" aria-live=\"polite\"></p>\n"
         "<textarea readonly aria-label=\"Names of the ticked subs\"></textarea>\n"
         "<button type=\"button\">Save the list</button></section>\n";
}

}  // namespace coldframe::view
