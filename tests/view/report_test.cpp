// The report page: complete, self-contained, only its own scripts, legible in both settings.
// Contrast: WCAG 2.1, "contrast ratio" and "relative luminance".
#include "coldframe/view/report.hpp"

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <map>
#include <regex>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
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

// What a preview looks like: white noise and stars, as many pixels as the page allows each sub.
std::string thumbnail(int number, int among) {
  Grid<float> preview(500, 333);
  RandomStream random(4, static_cast<std::uint32_t>(number), 0);
  for (int y = 0; y < preview.height(); ++y) {
    for (int x = 0; x < preview.width(); ++x) preview(x, y) = static_cast<float>(random.normal());
  }
  return view::base64(view::encode_png(
      view::sub_thumbnail(preview, 3, Transform{}, {1500, 1000}, among > 100 ? 287 : 320)));
}

view::Report example(const std::string& object, bool with_picture = true, int subs = 24) {
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
  result.canvas = image.size();
  result.stars = {{200.0, 130.0}, {20.5, 40.25}};
  if (with_picture) {
    view::ReportLayer layer;
    layer.name = "Result";
    layer.layer = view::encode_light(image);
    layer.stretch = view::automatic_stretch(image);
    layer.png_base64 = view::base64(view::encode_png(layer.layer.picture));
    result.layers.push_back(layer);
    layer.name = "Uncertainty";
    layer.layer = view::encode_figure(image);
    layer.png_base64 = view::base64(view::encode_png(layer.layer.picture));
    result.layers.push_back(layer);
  }
  result.width_map.assign(9, 3.1);
  result.width_map[2].reset();
  result.growth = {{2, 10.0}, {4, 7.1}, {8, 5.0}, {16, 3.5}};
  result.growth_words = "The noise falls as the root of the number of subs.";
  result.summary = "22 of 24 subs were combined. Two were left out. Stars are 3.10 px wide.";
  result.facts = {{"Subs kept", "22 of 24"}, {"Exposure", "44 min"}, {"FWHM", "3.10 px"}};
  for (int i = 0; i < subs; ++i) {
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
    sub.frame = {1500, 1000};
    if (i != 5) sub.residuals = {{100, 900, 0.02, -0.01}, {1400, 50, -0.03, 0.0}};
    sub.clipped_share = 0.0011;
    if (with_picture) sub.thumbnail_base64 = thumbnail(i, subs);
    if (i == 3) sub.trails.push_back({{0, 10}, {390, 200}, 6.0});
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
  CHECK(count_of(html, "class=\"sub-chart\"") == 6);
  CHECK(count_of(html, "<h1>") == 1);
  CHECK(count_of(html, "<tr class=\"stay\"") == 22);
  CHECK(count_of(html, "<tr class=\"left\"") == 2);
  // The library's notes name addresses; nothing asks for them (and the page's policy forbids it).
  CHECK(count_of(html, "src=\"http") == 0);
  CHECK(count_of(html, "href=\"http") == 0);
  CHECK(count_of(html, "<script") == 3);
  CHECK(count_of(html, "</script") == 3);
  CHECK(html.find(" nan") == std::string::npos);
  if (const char* folder = std::getenv("COLDFRAME_SAMPLES")) {
    std::ofstream(std::string(folder) + "/report.html") << html;
    const auto many = view::report_html(example("Wren Galaxy", true, 400));
    CHECK(many.size() < 25U * 1024U * 1024U);
    std::ofstream(std::string(folder) + "/report-400.html") << many;
    std::ofstream(std::string(folder) + "/report-hostile.html")
        << view::report_html(example(hostile));
  }
}

// The page without its scripts: their texts hold comparisons that look like tags.
std::string without_scripts(const std::string& html) {
  std::string rest;
  for (std::size_t at = 0; at < html.size();) {
    const auto open = html.find("<script", at);
    rest += html.substr(at, open == std::string::npos ? open : open - at);
    if (open == std::string::npos) break;
    at = html.find("</script>", open) + 9;
  }
  return rest;
}

TEST_CASE("hostile text is shown, not executed") {
  const auto whole = view::report_html(example(hostile, false));
  CHECK(count_of(whole, "<script") == 3);
  const auto html = without_scripts(whole);
  CHECK(html.find("<img src=x") == std::string::npos);
  CHECK(html.find("&lt;script&gt;alert(&#39;x&#39;)") != std::string::npos);
  CHECK(html.find('\x07') == std::string::npos);
  // The data of the scripts cannot end their element.
  const auto data = whole.substr(whole.find("id=\"report-data\""));
  CHECK(data.substr(0, data.find("</script>")).find('<') == std::string::npos);
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
  const auto html = without_scripts(view::report_html(example(hostile, false)));
  std::vector<std::string> open;
  const std::regex tag("<(/?)([a-z0-9]+)((?:\"[^\"]*\"|[^\">])*)>");
  for (auto it = std::sregex_iterator(html.begin(), html.end(), tag); it != std::sregex_iterator();
       ++it) {
    const auto name = (*it)[2].str();
    const auto rest = (*it)[3].str();
    if (name == "meta" || name == "img" || name == "input") continue;
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
    for (const char* ink : {"ink", "alert", "good"})
      CHECK(contrast(colour[ink], colour["chosen"]) >= 4.5);
  }
  CHECK(blocks == 3);
}

TEST_CASE("residual arrows: one scale, y up, long ones cut, nothing for nothing") {
  // 0.1 px over a sixth of 160 units: (300, 200) of 600 x 300 is the middle, 6 units of rim.
  const std::string svg = view::arrows_svg("<b>", 600, 300, {{300, 200, 0.06, 0.03}}, 0.1);
  const auto number_at = [](double value) {
    char text[32];
    std::snprintf(text, sizeof text, "%.1f", value);
    return std::string(text);
  };
  const double scale = 160.0 / 600.0;
  CHECK(svg.find("M" + number_at(6 + 300 * scale) + " " + number_at(6 + 100 * scale) + "l" +
                 number_at(0.6 * 160 / 6) + " " + number_at(-0.3 * 160 / 6)) != std::string::npos);
  CHECK(svg.find("&lt;b&gt;") != std::string::npos);
  const std::string cut = view::arrows_svg("", 600, 300, {{0, 0, 40.0, 0.0}}, 0.1);
  CHECK(cut.find("l" + number_at(3 * 160.0 / 6) + " -0.0\"") != std::string::npos);
  CHECK(view::arrows_svg("", 600, 300, {}, 0.1).empty());
  CHECK(view::arrows_svg("", 600, 300, {{1, 1, NAN, 0}}, 0.1).empty());
  // Nine of ten below: 0.031 of 0.001 to 0.034 rounds up to 0.05.
  std::vector<view::Arrow> many;
  for (int i = 1; i <= 34; ++i) many.push_back({0, 0, 0.001 * i, 0});
  CHECK(view::common_arrow_length({many}) == Approx(0.05));
  CHECK(view::common_arrow_length({}) == 0.0);
  const auto html = view::report_html(example("Wren"));
  CHECK(count_of(html, "<svg class=\"arrows\"") == 23);
  CHECK(html.find("Registration, star by star") != std::string::npos);
}
