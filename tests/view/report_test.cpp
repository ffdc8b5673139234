// The report page: complete, self-contained, nothing executed, legible in both settings.
// Contrast: WCAG 2.1, "contrast ratio" and "relative luminance".
#include "coldframe/view/report.hpp"

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <map>
#include <regex>

#include "catch.hpp"
#include "coldframe/view/picture.hpp"

using namespace coldframe;

namespace {

constexpr const char* hostile =
    "<script>alert('x')</script>\"><img src=x onerror=alert(1)>&amp;\x07";

std::size_t count_of(const std::string& text, const std::string& part) {
  std::size_t n = 0;
  for (auto at = text.find(part); at != std::string::npos; at = text.find(part, at + 1)) ++n;
  return n;
}

view::Report example(const std::string& object, bool with_picture = true) {
  view::Report report;
  report.title = object;
  view::ReportResult result;
  result.title = object + ", L";
  result.file = "wren_L.fits";
  Image image({400, 260}, 1);
  for (int y = 0; y < 260; ++y) {
    for (int x = 0; x < 400; ++x) {
      image.plane(0)(x, y) =
          static_cast<float>(100.0 * std::exp(-std::hypot(x - 200, 1.5 * (y - 130)) / 25.0) +
                             std::sin(12.9 * x + 78.2 * y));
    }
  }
  // std::regex recurses per character: tests that use it get a short stand-in.
  result.png_base64 =
      with_picture
          ? view::base64(view::encode_png(view::render(image, view::automatic_stretch(image))))
          : "AAAA";
  result.summary = "22 of 24 subs were combined. Two were left out. Stars are 3.10 px wide.";
  result.facts = {{"Subs kept", "22 of 24"}, {"Exposure", "44 min"}, {"FWHM", "3.10 px"}};
  for (int i = 0; i < 24; ++i) {
    view::ReportSub sub;
    sub.path = "lights/" + object + "_" + std::to_string(i) + ".fits";
    sub.start = "2031-03-14T21:" + std::to_string(10 + i) + ":11";
    sub.kept = i != 5 && i != 17;
    if (i == 5)
      sub.reason = "stars 5.2 px wide, twice the session's 2.6 px: out of focus or smeared";
    if (i == 17) sub.reason = "transparency 0.31 of the best sub: cloud";
    sub.exposure_s = 120;
    sub.stars = 400 + 3 * i;
    if (i != 11) sub.fwhm_px = i == 5 ? 5.2 : 2.6 + 0.02 * i;
    sub.ellipticity = 0.05 + 0.001 * i;
    sub.sky_per_s = 8.0 + 0.1 * i;
    sub.noise_per_px = 31.4;
    sub.transparency = i == 17 ? 0.31 : 0.97;
    if (sub.kept) sub.weight = 0.045;
    sub.residual_px = 0.031;
    sub.clipped_share = 0.0011;
    sub.trails = i == 3 ? 1 : 0;
    result.subs.push_back(sub);
  }
  report.results.push_back(result);
  report.masters = {{"dark", "masters/dark_120s_-10C.fits", "20 frames, 120 s, -10.0 C"}};
  report.warnings = {
      {"no-flats", "no flat for filter L: dust and vignetting stay in; take twenty at dusk"}};
  report.left_out = {
      {"lights/" + object + "_torn.fits", "ends after 40% of its pixels; copy it again"}};
  report.provenance = {{"Program", "coldframe"}};
  return report;
}

double luminance(const std::string& hex) {
  const auto full =
      hex.size() == 3 ? std::string{hex[0], hex[0], hex[1], hex[1], hex[2], hex[2]} : hex;
  double sum = 0.0;
  const double weights[3] = {0.2126, 0.7152, 0.0722};
  for (std::size_t p = 0; p < 3; ++p) {
    const double c = std::stoi(full.substr(2 * p, 2), nullptr, 16) / 255.0;
    sum += weights[p] * (c <= 0.03928 ? c / 12.92 : std::pow((c + 0.055) / 1.055, 2.4));
  }
  return sum;
}

double contrast(const std::string& a, const std::string& b) {
  const double la = luminance(a);
  const double lb = luminance(b);
  return (std::max(la, lb) + 0.05) / (std::min(la, lb) + 0.05);
}

}  // namespace

TEST_CASE("the report holds everything and stands alone") {
  const auto html = view::report_html(example("Wren Galaxy"));
  for (const char* part :
       {"<!DOCTYPE html>", "<html lang=\"en\">", "<h1>Wren Galaxy</h1>", "data:image/png;base64,",
        "alt=\"Stretched picture of Wren Galaxy, L\"", "22 of 24 subs were combined.",
        "twice the session", "transparency 0.31 of the best sub: cloud", "take twenty at dusk",
        "ends after 40%", "masters/dark_120s_-10C.fits", "prefers-color-scheme: dark",
        "<th scope=\"col\"", "<th scope=\"row\""}) {
    CAPTURE(part);
    CHECK(html.find(part) != std::string::npos);
  }
  CHECK(count_of(html, "<svg ") == 6);
  CHECK(count_of(html, "<h1>") == 1);
  CHECK(count_of(html, "<tr class=\"stay\"") == 22);
  CHECK(count_of(html, "<tr class=\"left\"") == 2);
  CHECK(html.find("http://") == std::string::npos);
  CHECK(html.find("https://") == std::string::npos);
  CHECK(html.find("<script") == std::string::npos);
  CHECK(html.find(" nan") == std::string::npos);
  if (const char* folder = std::getenv("COLDFRAME_SAMPLES")) {
    std::ofstream(std::string(folder) + "/report.html") << html;
  }
}

TEST_CASE("hostile text is shown, not executed") {
  const auto html = view::report_html(example(hostile, false));
  CHECK(html.find("<script") == std::string::npos);
  CHECK(html.find("<img src=x") == std::string::npos);
  CHECK(html.find("&lt;script&gt;alert(&#39;x&#39;)") != std::string::npos);
  CHECK(html.find('\x07') == std::string::npos);
  // Every < that is left belongs to a tag the page itself writes.
  const std::regex tag("<[^>]*>");
  for (auto it = std::sregex_iterator(html.begin(), html.end(), tag); it != std::sregex_iterator();
       ++it) {
    const auto text = it->str();
    if (text.find("onerror") == std::string::npos) continue;
    // Inside an attribute the quotes must not end it.
    CHECK(text.find("&quot;&gt;&lt;img") != std::string::npos);
  }
  CHECK(view::html_escape("a<b>\"'&") == "a&lt;b&gt;&quot;&#39;&amp;");
  CHECK(view::html_escape("blau: M\xC3\xBCller") == "blau: M\xC3\xBCller");
}

TEST_CASE("tags close in the order they open") {
  const auto html = view::report_html(example(hostile, false));
  std::vector<std::string> open;
  const std::regex tag("<(/?)([a-z0-9]+)((?:\"[^\"]*\"|[^\">])*)>");
  for (auto it = std::sregex_iterator(html.begin(), html.end(), tag); it != std::sregex_iterator();
       ++it) {
    const auto name = (*it)[2].str();
    const auto rest = (*it)[3].str();
    if (name == "meta" || name == "img" || (!rest.empty() && rest.back() == '/')) continue;
    if ((*it)[1].length() == 0) {
      open.push_back(name);
    } else {
      REQUIRE_FALSE(open.empty());
      REQUIRE(open.back() == name);
      open.pop_back();
    }
  }
  CHECK(open.empty());
}

TEST_CASE("text contrast is at least 4.5 to 1 in light, dark and print") {
  const auto html = view::report_html({});
  const std::regex block(":root \\{[^}]*\\}");
  const std::regex variable("--([a-z-]+): #([0-9a-f]{3,6})");
  int blocks = 0;
  for (auto it = std::sregex_iterator(html.begin(), html.end(), block);
       it != std::sregex_iterator(); ++it) {
    const auto text = it->str();
    std::map<std::string, std::string> colour;
    for (auto v = std::sregex_iterator(text.begin(), text.end(), variable);
         v != std::sregex_iterator(); ++v) {
      colour[(*v)[1].str()] = (*v)[2].str();
    }
    ++blocks;
    CAPTURE(blocks);
    for (const char* ink : {"ink", "quiet", "accent", "alert", "good"}) {
      for (const char* ground : {"ground", "sheet"}) {
        CAPTURE(ink, ground);
        REQUIRE(colour.count(ink) == 1);
        CHECK(contrast(colour[ink], colour[ground]) >= 4.5);
      }
    }
    CHECK(contrast(colour["alert"], colour["alert-ground"]) >= 4.5);
    CHECK(contrast(colour["ink"], colour["alert-ground"]) >= 4.5);
  }
  CHECK(blocks == 3);
}

TEST_CASE("charts: gaps, hollow marks, one point, nothing") {
  const std::vector<view::ChartPoint> points = {{1, 2.0, false, "a"},
                                                {2, std::nullopt, false, "b"},
                                                {3, 4.0, true, "c"},
                                                {4, 3.0, false, "d"},
                                                {5, 3.5, false, "e"}};
  const auto svg = view::chart_svg("Star width", "px", points);
  CHECK(count_of(svg, "class=\"in\"") == 3);
  CHECK(count_of(svg, "class=\"out\"") == 1);
  CHECK(svg.find("(left out)") != std::string::npos);
  CHECK(svg.find("Star width of 4 subs, from 2.00 to 4.00 px; 1 of them left out (hollow)") !=
        std::string::npos);
  // The curve starts anew after the gap: two moves (a; d), one line (d-e).
  const std::regex path("d=\"([^\"]*)\"");
  std::smatch found;
  REQUIRE(std::regex_search(svg, found, path));
  CHECK(count_of(found[1].str(), "M") == 2);
  CHECK(count_of(found[1].str(), "L") == 1);
  CHECK(view::chart_svg("x", "", {}).empty());
  CHECK(view::chart_svg("x", "", {{1, std::nullopt, false, ""}}).empty());
  CHECK(view::chart_svg("x", "", {{1, std::nan(""), false, ""}}).empty());
  // Extreme values give finite coordinates.
  for (const double v : {0.0, -3.0, 1e-12, 1e300, 7.0}) {
    const auto one = view::chart_svg("x", "", {{1, v, false, "a"}});
    CHECK(one.find("nan") == std::string::npos);
    CHECK(one.find("inf") == std::string::npos);
  }
}
