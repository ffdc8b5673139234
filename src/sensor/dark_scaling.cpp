#include "coldframe/sensor/dark_scaling.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/statistics.hpp"
#include "coldframe/sensor/calibration_checks.hpp"

namespace coldframe::sensor {
namespace {

constexpr double thermometer_c = 0.2;
constexpr double least_share = 0.15;

double range_of(std::vector<double> values) {
  if (values.size() < 10) return 0.0;
  std::sort(values.begin(), values.end());
  return values[values.size() * 98 / 100] - values[values.size() / 50];
}

}  // namespace

std::optional<Doubling> doubling_of_ratios(std::span<const RelativeRate> rates) {
  if (rates.size() < 2) return std::nullopt;
  const auto [low, high] = std::minmax_element(rates.begin(), rates.end(),
                                               [](const RelativeRate& a, const RelativeRate& b) {
                                                 return a.temperature_c < b.temperature_c;
                                               });
  const double span = high->temperature_c - low->temperature_c;
  if (span < least_ladder_c) return std::nullopt;
  std::vector<DarkCurrent> currents;
  for (const auto& rate : rates) {
    DarkCurrent current;
    current.temperature_c = rate.temperature_c;
    current.adu_per_s = rate.ratio;
    current.error_adu_per_s = std::max(rate.error, 1e-3 * rate.ratio);
    currents.push_back(current);
  }
  auto doubling = doubling_temperature(currents);
  if (!doubling) return std::nullopt;
  doubling->error_kelvin =
      std::hypot(doubling->error_kelvin, doubling->kelvin * std::sqrt(2.0) * thermometer_c / span);
  return doubling;
}

CellMap empty_cells(Size frame, int cell_px) {
  CellMap cells;
  cells.columns = (frame.width + cell_px - 1) / cell_px;
  cells.rows = (frame.height + cell_px - 1) / cell_px;
  cells.values.assign(
      static_cast<std::size_t>(cells.columns) * static_cast<std::size_t>(cells.rows),
      std::numeric_limits<double>::quiet_NaN());
  return cells;
}

void fill_cells(PlaneView<const float> band, int y0, int cell_px, bool one_colour, CellMap& cells) {
  const int step = one_colour ? 2 : 1;
  std::vector<float> values;
  for (int j = 0; j * cell_px < band.height(); ++j) {
    for (int i = 0; i < cells.columns; ++i) {
      values.clear();
      const int y1 = std::min((j + 1) * cell_px, band.height());
      const int x1 = std::min((i + 1) * cell_px, band.width());
      for (int y = j * cell_px; y < y1; y += step) {
        for (int x = i * cell_px; x < x1; x += step) {
          if (std::isfinite(band(x, y))) values.push_back(band(x, y));
        }
      }
      if (values.empty()) continue;
      const auto place = static_cast<std::size_t>((y0 / cell_px + j) * cells.columns + i);
      cells.values[place] = static_cast<double>(median_in_place(std::span<float>(values)));
    }
  }
}

SmoothResidue smooth_residue(const CellMap& scaled, const CellMap& measured, bool with_plane,
                             double least_adu) {
  SmoothResidue result;
  std::vector<ShapePoint> points;
  std::vector<double> pattern;
  for (int j = 0; j < scaled.rows; ++j) {
    for (int i = 0; i < scaled.columns; ++i) {
      const auto place = static_cast<std::size_t>(j * scaled.columns + i);
      const double from = scaled.values[place];
      const double to = measured.values[place];
      if (!std::isfinite(from) || !std::isfinite(to)) continue;
      points.push_back({2.0 * (i + 0.5) / scaled.columns - 1.0, 2.0 * (j + 0.5) / scaled.rows - 1.0,
                        to - from, from});
      pattern.push_back(from);
    }
  }
  result.pattern_adu = range_of(pattern);
  if (!(result.pattern_adu > 0.0)) return result;
  const auto fit = fit_shape(points, with_plane);
  result.left_adu = fit.slope * result.pattern_adu;
  result.shows = fit.significant(least_share) && std::fabs(result.left_adu) > least_adu;
  return result;
}

}  // namespace coldframe::sensor
