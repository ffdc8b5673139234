// Any bytes as a list of transforms. Only reading is looked at: what writing needs of the rest of
// the module ends the program here.
#include <cstdlib>

#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "fits/input_file.hpp"
#include "session/json_parts.hpp"

namespace coldframe::session {
nlohmann::ordered_json transform_json(const Transform& /*transform*/) { std::abort(); }
std::string json_text(const nlohmann::ordered_json& /*json*/) { std::abort(); }
nlohmann::ordered_json residuals_json(const std::vector<align::ResidualVector>& /*residuals*/) {
  std::abort();
}
nlohmann::ordered_json distortion_json(const align::DistortionFit& /*fit*/) { std::abort(); }
}  // namespace coldframe::session

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  try {
    (void)coldframe::session::read_transforms(file.path());
  } catch (const coldframe::Error&) {
  }
  return 0;
}
