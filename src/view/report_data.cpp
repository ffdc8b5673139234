#include <cmath>
#include <nlohmann/json.hpp>

#include "html.hpp"

namespace coldframe::view {
namespace {

using nlohmann::json;

json figure(const std::optional<double>& value) {
  return value && std::isfinite(*value) ? json(*value) : json(nullptr);
}

// A tenth of a pixel is enough to draw with.
double tenth(double value) { return std::round(10.0 * value) / 10.0; }

json sub_json(const ReportSub& s) {
  auto trails = json::array();
  for (const auto& t : s.trails) {
    trails.push_back(
        {tenth(t.from.x), tenth(t.from.y), tenth(t.to.x), tenth(t.to.y), tenth(t.width_px)});
  }
  return {{"path", s.path},
          {"kept", s.kept},
          {"reason", s.reason},
          {"trails", trails},
          {"thumbnail", s.thumbnail_base64},
          {"values",
           {{"fwhm", figure(s.fwhm_px)},
            {"ellipticity", figure(s.ellipticity)},
            {"sky", figure(s.sky_per_s)},
            {"transparency", figure(s.transparency)},
            {"stars", figure(s.stars)},
            {"weight", figure(s.weight)}}}};
}

json layer_json(const ReportLayer& l, int planes) {
  auto list = json::array();
  for (int p = 0; p < planes; ++p) {
    const auto& plane = l.layer.planes[static_cast<std::size_t>(p)];
    list.push_back({{"level", plane.level}, {"noise", plane.noise}});
  }
  return {{"name", l.name},
          {"light", l.layer.light},
          {"zero", layer_zero},
          {"steps", layer_steps},
          {"png", l.png_base64},
          {"planes", list},
          {"stretch",
           {{"black", l.stretch.black},
            {"gain", l.stretch.gain},
            {"softening", l.stretch.softening},
            {"q", l.stretch.q},
            {"white", l.stretch.white}}}};
}

json result_json(const ReportResult& r) {
  json result = {{"width", r.canvas.width}, {"height", r.canvas.height}, {"subs", json::array()},
                 {"layers", json::array()}, {"stars", json::array()},    {"growth", json::array()}};
  for (const auto& sub : r.subs) result["subs"].push_back(sub_json(sub));
  for (const auto& layer : r.layers) {
    result["layers"].push_back(layer_json(layer, layer.layer.picture.channels));
  }
  for (const auto& star : r.stars) result["stars"].push_back({tenth(star.x), tenth(star.y)});
  for (const auto& point : r.growth) result["growth"].push_back({point.x, point.y});
  return result;
}

}  // namespace

std::string report_data(const Report& report) {
  json data = {{"results", json::array()}};
  for (const auto& result : report.results) data["results"].push_back(result_json(result));
  const auto text = data.dump(-1, ' ', false, json::error_handler_t::replace);
  // Neither an end tag nor a comment can begin without '<'.
  std::string safe;
  safe.reserve(text.size());
  for (const char c : text) {
    if (c == '<') {
      safe += "\\u003c";
    } else {
      safe += c;
    }
  }
  return safe;
}

}  // namespace coldframe::view
