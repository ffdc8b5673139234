#include <fmt/format.h>

#include "camera_notes.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/camera.hpp"
#include "coldframe/view/scatter_chart.hpp"

namespace coldframe::session {

std::string camera_plot(const CameraMeasurement& m) {
  view::ScatterChart chart;
  chart.title =
      fmt::format("Noise against light: {}", m.camera.empty() ? "camera" : printable(m.camera));
  chart.x_label = "mean signal above dark, ADU";
  chart.y_label = "noise variance less that of dark frames, ADU squared";
  for (const auto& p : m.points) {
    view::ScatterPoint point{p.signal_adu, p.variance_adu2, p.error_adu2,
                             p.use != sensor::PointUse::fitted, ""};
    point.label =
        fmt::format("{:.0f} ADU, variance {:.4g} +- {:.2g}{}{}", p.signal_adu, p.variance_adu2,
                    p.error_adu2, m.sites.empty() ? "" : ", " + site_name(m.cfa, p.site),
                    point.hollow ? " (not in the fit)" : "");
    chart.points.push_back(std::move(point));
  }
  if (m.fit.usable) {
    chart.slope = 1.0 / m.fit.gain_e_per_adu;
    chart.line_from = m.fit.lowest_adu;
    chart.line_to = m.fit.highest_adu;
    chart.caption = fmt::format("line: gain {:.4g} +- {:.2g} e/ADU; hollow: not in the fit",
                                m.fit.gain_e_per_adu, m.fit.gain_error);
  }
  return view::scatter_svg(chart);
}

void write_camera_plot(const CameraMeasurement& camera, const std::filesystem::path& out) {
  const auto svg = camera_plot(camera);
  if (svg.empty()) {
    throw Error(ErrorKind::not_enough_data, out.string(), "there is no point to plot",
                "give two flats of one exposure and two bias frames");
  }
  if (out.has_parent_path()) fits::make_folder(out.parent_path());
  fits::write_file_atomically(out, svg);
}

}  // namespace coldframe::session
