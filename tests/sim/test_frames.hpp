/// \file
/// Small scenes and frames for the simulator's tests.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <vector>

#include "coldframe/sim/render.hpp"

namespace coldframe::sim {

inline const FramePlan& frame_of(const Simulator& simulator, FrameKind kind, int index = 0) {
  for (const FramePlan& frame : simulator.frames()) {
    if (frame.kind == kind && frame.index == index) return frame;
  }
  throw std::runtime_error("no such frame");
}

inline Grid<std::uint16_t> rendered(const Simulator& simulator, FrameKind kind, int index = 0) {
  return simulator.render(frame_of(simulator, kind, index), Threads{2});
}

inline std::vector<double> values_of(const Grid<std::uint16_t>& codes) {
  std::vector<double> values;
  for (int y = 0; y < codes.height(); ++y) {
    for (const std::uint16_t v : codes.row(y)) values.push_back(static_cast<double>(v));
  }
  return values;
}

inline bool same(const Grid<std::uint16_t>& a, const Grid<std::uint16_t>& b) {
  for (int y = 0; y < a.height(); ++y) {
    for (int x = 0; x < a.width(); ++x) {
      if (a(x, y) != b(x, y)) return false;
    }
  }
  return a.size() == b.size();
}

/// A sensor without faults; tests switch on one at a time. `sensor` and `rest` are the inside
/// of JSON objects.
inline Simulator make(const std::string& sensor, const std::string& rest) {
  using Json = nlohmann::json;
  Json scene = Json::parse(R"({"dark_cosmic_rays": 0, "optics": {"vignetting": 0, "dust_count": 0},
    "sensor": {"width": 300, "height": 200, "hot_pixel_share": 0, "cold_pixel_share": 0,
               "dark_e_per_s": 0, "bias_structure_adu": 0, "pixel_response_sd": 0}})");
  scene.merge_patch(Json::parse("{" + rest + "}"));
  scene["sensor"].merge_patch(Json::parse("{" + sensor + "}"));
  return Simulator(parse_scene(scene.dump(), "test"));
}

}  // namespace coldframe::sim
