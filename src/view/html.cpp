#include "html.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/view/report.hpp"

namespace coldframe::view {

std::string html_escape(std::string_view text) {
  std::string safe;
  safe.reserve(text.size());
  for (const char c : text) {
    switch (c) {
      case '&':
        safe += "&amp;";
        break;
      case '<':
        safe += "&lt;";
        break;
      case '>':
        safe += "&gt;";
        break;
      case '"':
        safe += "&quot;";
        break;
      case '\'':
        safe += "&#39;";
        break;
      default:
        // Control characters are not allowed in HTML; show that something was there.
        if (static_cast<unsigned char>(c) < 0x20U && c != '\n' && c != '\t') {
          safe += "&#xFFFD;";
        } else {
          safe += c;
        }
    }
  }
  return safe;
}

std::string number(const std::optional<double>& value, int digits) {
  if (!value || !std::isfinite(*value)) return "";
  const double v = *value;
  if (digits < 0) return fmt::format("{:.{}f}", v, -digits);
  if (v == 0.0) return "0";
  const double magnitude = std::floor(std::log10(std::abs(v)));
  if (magnitude < -4.0) return fmt::format("{:.{}e}", v, digits - 1);
  const int decimals = std::max(digits - 1 - static_cast<int>(magnitude), 0);
  return fmt::format("{:.{}f}", v, decimals);
}

std::string pair_table(const std::vector<std::pair<std::string, std::string>>& pairs) {
  std::string html = "<table class=\"facts\"><tbody>\n";
  for (const auto& [name, value] : pairs) {
    html += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td></tr>\n", html_escape(name),
                        html_escape(value));
  }
  return html + "</tbody></table>\n";
}

}  // namespace coldframe::view
