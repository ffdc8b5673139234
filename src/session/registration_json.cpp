#include <cmath>
#include <nlohmann/json.hpp>

#include "coldframe/align/distortion.hpp"
#include "json_parts.hpp"

namespace coldframe::session {

using nlohmann::ordered_json;

ordered_json residuals_json(const std::vector<align::ResidualVector>& residuals) {
  const auto rounded = [](double value, double step) { return std::round(value * step) / step; };
  auto list = ordered_json::array();
  for (const auto& r : residuals) {
    list.push_back(
        {rounded(r.sub.x, 10.0), rounded(r.sub.y, 10.0), rounded(r.dx, 1e4), rounded(r.dy, 1e4)});
  }
  return list;
}

ordered_json distortion_json(const align::DistortionFit& fit) {
  if (fit.kind == align::DistortionKind::none) return nullptr;
  ordered_json json = {{"model", align::to_string(fit.kind)},
                       {"subs", fit.subs},
                       {"pairs", fit.pairs},
                       {"residual_without_px", fit.plain_px},
                       {"residual_with_px", fit.modelled_px},
                       {"set_ups", ordered_json::array()}};
  for (const auto& optics : fit.set_ups) {
    json["set_ups"].push_back({{"centre", {optics.centre.x, optics.centre.y}},
                               {"scale", optics.scale},
                               {"coefficients", optics.coefficients}});
  }
  return json;
}

}  // namespace coldframe::session
