#include "coldframe/view/report.hpp"

#include <fmt/format.h>

#include <cstdint>

#include "html.hpp"

namespace coldframe::view {
namespace {

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
      "<figure class=\"still\"><img src=\"data:image/png;base64,{}\" alt=\"Stretched picture of "
      "{}\">"
      "<figcaption>{}: brightness is compressed so that faint light shows; measure in {}, not here."
      "</figcaption></figure>\n",
      html_escape(result.png_base64), title, title,
      result.file.empty() ? std::string("the FITS file") : html_escape(result.file));
}

std::string result_block(const ReportResult& result, std::size_t index) {
  std::string html = fmt::format(
      "<section data-result=\"{0}\" aria-labelledby=\"result-{1}\"><h2 id=\"result-{1}\">{2}"
      "</h2>\n",
      index, index + 1, html_escape(result.title));
  html += picture_block(result);
  if (!result.summary.empty())
    html += fmt::format("<p class=\"lead\">{}</p>\n", html_escape(result.summary));
  html += viewer_block(result, index);
  if (!result.facts.empty()) html += "<h3>Facts</h3>\n" + pair_table(result.facts);
  html += left_out_subs(result);
  html += chart_block(result, index) + width_block(result) + residual_block(result);
  html += sub_table(result, index);
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

std::string advice_block(const Report& report) {
  if (report.advice.empty()) return "";
  std::string html =
      "<section aria-labelledby=\"advice\"><h2 id=\"advice\">What the figures say, and what would "
      "help next time</h2>\n";
  for (const auto& [code, text] : report.advice) {
    html += fmt::format("<p class=\"advice\"><strong>{}</strong>: {}</p>\n", html_escape(code),
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
  if (!report.advice.empty()) item("advice", "Next time");
  if (!report.warnings.empty())
    item("warnings", fmt::format("Warnings ({})", report.warnings.size()));
  if (!report.left_out.empty())
    item("left-out", fmt::format("Files not used ({})", report.left_out.size()));
  if (!report.masters.empty()) item("masters", "Masters");
  if (!report.provenance.empty()) item("provenance", "How it was made");
  return items.empty() ? ""
                       : "<nav aria-label=\"Parts of this page\"><ul>" + items + "</ul></nav>\n";
}

// FNV-1a over what the page shows: nobody who writes a header can know it beforehand.
std::string mark_of(const std::string& text) {
  std::uint64_t hash = 14695981039346656037ULL;
  for (const char c : text) {
    hash = (hash ^ static_cast<unsigned char>(c)) * 1099511628211ULL;
  }
  return fmt::format("{:016x}", hash);
}

}  // namespace

std::string report_html(const Report& report) {
  const auto title = html_escape(report.title.empty() ? std::string("Session") : report.title);
  const auto data = report_data(report);
  const auto mark = mark_of(data);
  std::string html = fmt::format(
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      // Nothing may be fetched, and nothing executed but what carries the mark, whatever a
      // header's text holds.
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
      "style-src 'unsafe-inline'; script-src 'nonce-{}'\">\n<title>{}</title>\n<style>",
      mark, title);
  html += page_style();
  html += "</style></head>\n<body><div class=\"page\">\n<header><h1>" + title + "</h1>\n";
  html += navigation(report) + "</header>\n<main>\n";
  for (std::size_t i = 0; i < report.results.size(); ++i)
    html += result_block(report.results[i], i);
  if (report.results.empty()) html += "<p class=\"lead\">There is no result to show.</p>\n";
  html += advice_block(report) + warning_block(report) + left_out_files(report);
  html += keep_block(report) + master_block(report) + "</main>\n";
  if (!report.provenance.empty()) {
    html += "<footer><h2 id=\"provenance\">How it was made</h2>\n" + pair_table(report.provenance) +
            "</footer>\n";
  }
  html += "</div>\n";
  html += fmt::format("<script type=\"application/json\" id=\"report-data\">{}</script>\n", data);
  for (const char* script : {chart_library(), page_script()}) {
    html += fmt::format("<script nonce=\"{}\">{}</script>\n", mark, script);
  }
  return html + "</body></html>\n";
}

}  // namespace coldframe::view
