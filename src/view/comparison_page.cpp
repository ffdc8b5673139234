#include "coldframe/view/comparison_page.hpp"

#include <fmt/format.h>

#include "html.hpp"

namespace coldframe::view {
namespace {

std::string picture(const std::string& png, const std::string& name, const char* letter) {
  if (png.empty()) return "";
  return fmt::format(
      "<figure><img src=\"data:image/png;base64,{0}\" alt=\"Stretched picture of {1}\">"
      "<figcaption><strong>{2}</strong>: {1}</figcaption></figure>\n",
      png, html_escape(name), letter);
}

std::string list(const std::vector<std::string>& lines) {
  std::string html = "<ul>\n";
  for (const auto& line : lines) html += fmt::format("<li>{}</li>\n", html_escape(line));
  return html + "</ul>\n";
}

std::string rows(const ComparisonPage& page) {
  std::string html =
      "<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"Figures\"><table>\n"
      "<caption>One standard error after the sign; 'b per a' where only the ratio is "
      "known</caption><thead><tr><th scope=\"col\">Figure</th><th scope=\"col\">Unit</th>"
      "<th scope=\"col\" class=\"n\">a</th><th scope=\"col\" class=\"n\">b</th>"
      "<th scope=\"col\" class=\"n\">b per a</th><th scope=\"col\">Difference</th></tr></thead>"
      "<tbody>\n";
  for (const auto& row : page.rows) {
    html += fmt::format(
        "<tr><th scope=\"row\">{}</th><td>{}</td><td class=\"n\">{}</td><td class=\"n\">{}</td>"
        "<td class=\"n\">{}</td><td>{}</td></tr>\n",
        html_escape(row.name), html_escape(row.unit), html_escape(row.a), html_escape(row.b),
        html_escape(row.ratio), row.shown ? "shown" : "not shown");
  }
  return html + "</tbody></table></div>\n";
}

}  // namespace

std::string comparison_html(const ComparisonPage& page) {
  const auto title = html_escape(page.title);
  std::string html =
      "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; img-src data:; "
      "style-src 'unsafe-inline'\">\n<title>" +
      title + "</title>\n<style>";
  html += page_style();
  html += "</style></head>\n<body><div class=\"page\">\n<header><h1>" + title +
          "</h1></header>\n<main>\n";
  html += "<h2>What is shown</h2>\n" + list(page.verdict);
  if (!page.notes.empty()) html += "<h3>To keep in mind</h3>\n" + list(page.notes);
  if (!page.png_a_base64.empty()) {
    html += "<h2>Side by side</h2>\n<p class=\"quiet\">" + html_escape(page.picture_words) +
            "</p>\n<div class=\"charts\">\n" + picture(page.png_a_base64, page.name_a, "a") +
            picture(page.png_b_base64, page.name_b, "b") + "</div>\n";
  }
  return html + "<h2>Figures</h2>\n" + rows(page) + "</main></div></body></html>\n";
}

}  // namespace coldframe::view
