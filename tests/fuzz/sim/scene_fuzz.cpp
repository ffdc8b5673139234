// Any text as a scene. Our own Error is an answer; anything else is a find.
#include <cstddef>
#include <cstdint>
#include <string_view>

#include "coldframe/core/error.hpp"
#include "coldframe/sim/scene.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  try {
    (void)coldframe::sim::parse_scene({reinterpret_cast<const char*>(data), size}, "scene.json");
  } catch (const coldframe::Error&) {
  }
  return 0;
}
