#include "plain_calibration.hpp"

#include "digest.hpp"

namespace coldframe::session {

pipeline::Calibration plain_calibration(const FrameInfo& info) {
  pipeline::Calibration calibration;
  calibration.constant_subtract = static_cast<float>(-info.pedestal_adu.value_or(0.0));
  calibration.cfa = info.cfa;
  calibration.gain_e_per_adu = info.gain_e_per_adu.value_or(0.0);
  calibration.saturation_adu = static_cast<float>(info.saturation_adu.value_or(3.0e38));
  return calibration;
}

std::string table_stem(const std::filesystem::path& path) {
  return safe_file_name(path.stem().string()) + "-" + digest(path.generic_string()).substr(0, 6);
}

}  // namespace coldframe::session
