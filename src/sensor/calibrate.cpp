#include "coldframe/sensor/calibrate.hpp"

#include "coldframe/core/error.hpp"
#include "sensor/calibrate_kernel.hpp"

namespace coldframe::sensor {
namespace {

template <typename T>
void require_cover(PlaneView<const T> plane, const Rect& rect, const char* name) {
  if (plane.empty() || whole(plane.size()).contains(rect)) return;
  throw Error(ErrorKind::usage, "",
              std::string("the ") + name + " is smaller than the frame it is used on",
              "use masters of the frame's own size");
}

}  // namespace

void calibrate_band(PlaneView<float> raw, const Rect& rect, const CalibrationPlanes& planes,
                    PlaneView<std::uint8_t> mask) {
  if (raw.size() != rect.size() || mask.size() != rect.size()) {
    throw Error(ErrorKind::usage, "", "a calibrated band and its mask differ in size", "");
  }
  require_cover(planes.subtract, rect, "dark or bias");
  require_cover(planes.multiply, rect, "flat");
  require_cover(planes.defects, rect, "defect map");
  const auto first = static_cast<std::size_t>(rect.x0);
  for (int y = 0; y < rect.height(); ++y) {
    CalibrationRow row;
    row.constant_subtract = planes.constant_subtract;
    row.constant_multiply = planes.constant_multiply;
    row.saturation = planes.saturation_adu;
    if (!planes.subtract.empty()) row.subtract = planes.subtract.row(rect.y0 + y).data() + first;
    if (!planes.multiply.empty()) row.multiply = planes.multiply.row(rect.y0 + y).data() + first;
    if (!planes.defects.empty()) row.defects = planes.defects.row(rect.y0 + y).data() + first;
    calibrate_row(row, raw.row(y).data(), mask.row(y).data(), raw.row(y).size());
  }
}

}  // namespace coldframe::sensor
