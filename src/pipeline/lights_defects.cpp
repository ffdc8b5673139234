// Defects of sessions without darks: what stands out at one place of the sensor in most lights
// while the sky moves.
#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/pipeline/calibration.hpp"
#include "coldframe/sensor/defects.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int cell_px = 64;
constexpr int band_rows = 128;   // a multiple of cell_px: cells do not depend on the bands
constexpr int band_margin = 64;  // whole cells, wider than any neighbourhood looked at
constexpr double defect_kappa = 5.0;

// Sky-subtracted, in units of the noise, cell by cell and colour by colour.
void whiten_cell(PlaneView<float> cell, CfaPattern cfa, int x0, int y0) {
  const int colours = cfa == CfaPattern::none ? 1 : 3;
  for (int colour = 0; colour < colours; ++colour) {
    std::vector<double> sample;
    for (int y = 0; y < cell.height(); ++y) {
      for (int x = 0; x < cell.width(); ++x) {
        if (cfa_colour(cfa, x0 + x, y0 + y) == colour) {
          sample.push_back(static_cast<double>(cell(x, y)));
        }
      }
    }
    if (sample.empty()) continue;
    const double level = median(sample);
    const double noise = std::max(robust_sigma(sample), 1e-6);
    for (int y = 0; y < cell.height(); ++y) {
      for (int x = 0; x < cell.width(); ++x) {
        if (cfa_colour(cfa, x0 + x, y0 + y) != colour) continue;
        cell(x, y) = static_cast<float>((static_cast<double>(cell(x, y)) - level) / noise);
      }
    }
  }
}

Grid<float> whitened_band(const PixelSource& light, const Calibration& calibration,
                          const Rect& band) {
  Grid<float> values(band.size());
  Mask mask(band.size());
  read_calibrated(light, calibration, band, values.view(), mask.view());
  for (int y = 0; y < band.height(); y += cell_px) {
    for (int x = 0; x < band.width(); x += cell_px) {
      const Rect cell = Rect{x, y, x + cell_px, y + cell_px}.intersect(whole(band.size()));
      whiten_cell(values.view().crop(cell), calibration.cfa, band.x0 + x, band.y0 + y);
    }
  }
  return values;
}

// Whether stars stay at their pixels, from a few bands spread over the frame.
bool sky_moves(const std::vector<const PixelSource*>& lights, const Calibration& calibration,
               Threads threads, const Watch& watch) {
  constexpr int looks = 6;
  const Size frame = lights.front()->size();
  const int bands = (frame.height + band_rows - 1) / band_rows;
  const int count = std::min(bands, looks);
  sensor::PeakCount sum;
  for (int k = 0; k < count; ++k) {
    watch.check();
    const int y0 = (2 * k + 1) * bands / (2 * count) * band_rows;
    const Rect band = Rect{0, y0, frame.width, y0 + band_rows}.intersect(whole(frame));
    std::vector<Grid<float>> stack(lights.size());
    parallel_for(threads, lights.size(),
                 [&](std::size_t i) { stack[i] = whitened_band(*lights[i], calibration, band); });
    std::vector<PlaneView<const float>> views;
    for (const auto& light : stack) views.push_back(light.cview());
    const auto peaks = sensor::count_peaks(views, calibration.cfa, defect_kappa);
    sum.stars += peaks.stars;
    sum.staying += peaks.staying;
  }
  return sum.sky_moves();
}

}  // namespace

std::int64_t find_defects_from_lights(const std::vector<const PixelSource*>& lights,
                                      Calibration& calibration, Threads threads,
                                      const Watch& watch) {
  if (lights.size() < 3) return 0;
  const Size frame = lights.front()->size();
  if (calibration.defects.empty()) calibration.defects = Mask(frame);
  // The map grows only after the whole frame has been looked at: repaired
  // pixels of one band must not colour the next.
  Mask found(frame);
  const bool moves = sky_moves(lights, calibration, threads, watch);
  for (int y0 = 0; y0 < frame.height; y0 += band_rows) {
    watch.check();
    const Rect target{0, y0, frame.width, std::min(y0 + band_rows, frame.height)};
    const Rect band =
        Rect{0, y0 - band_margin, frame.width, y0 + band_rows + band_margin}.intersect(
            whole(frame));
    std::vector<Grid<float>> stack(lights.size());
    parallel_for(threads, lights.size(),
                 [&](std::size_t i) { stack[i] = whitened_band(*lights[i], calibration, band); });
    std::vector<PlaneView<const float>> views;
    for (const auto& light : stack) views.push_back(light.cview());
    Mask mask(band.size());
    static_cast<void>(sensor::find_defects_in_lights(views, calibration.cfa, defect_kappa, moves,
                                                     mask.view(), threads));
    for (int y = target.y0; y < target.y1; ++y) {
      const auto from = mask.row(y - band.y0);
      std::copy(from.begin(), from.end(), found.row(y).begin());
    }
  }
  std::int64_t added = 0;
  for (int y = 0; y < frame.height; ++y) {
    const auto from = found.row(y);
    const auto to = calibration.defects.row(y);
    for (std::size_t x = 0; x < to.size(); ++x) {
      if (from[x] == 0 || to[x] != 0) continue;
      to[x] |= mask_bit::defect;
      ++added;
    }
  }
  return added;
}

}  // namespace coldframe::pipeline
