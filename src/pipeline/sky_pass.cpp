#include "coldframe/pipeline/sky_pass.hpp"

#include <algorithm>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/sensor/calibrate.hpp"
#include "noise_tails.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int step = quick_sky_step;
constexpr int rows_together = 16;

struct Samples {
  Grid<float> values;
  Mask mask;
};

Samples every_so_often(const PixelSource& raw, const Calibration& calibration, int plane,
                       Threads threads) {
  const Size frame = raw.size();
  const Size size{(frame.width + step - 1) / step, (frame.height + step - 1) / step};
  Samples samples{Grid<float>(size), Mask(size)};
  parallel_bands(threads, size.height, rows_together, [&](int j0, int j1) {
    std::vector<float> values(static_cast<std::size_t>(frame.width));
    std::vector<std::uint8_t> bits(values.size());
    const PlaneView<float> row(values.data(), frame.width, 1, frame.width);
    const PlaneView<std::uint8_t> row_bits(bits.data(), frame.width, 1, frame.width);
    for (int j = j0; j < j1; ++j) {
      const Rect rect{0, j * step, frame.width, j * step + 1};
      raw.fill(plane, rect, row);
      sensor::calibrate_band(row, rect, calibration.planes(), row_bits);
      const auto to = samples.values.row(j);
      const auto to_bits = samples.mask.row(j);
      for (std::size_t i = 0; i < to.size(); ++i) {
        to[i] = values[i * step];
        to_bits[i] = bits[i * step];
      }
    }
  });
  return samples;
}

}  // namespace

SubMeasurement measure_quick_sky(const PixelSource& raw, const Calibration& calibration,
                                 const stars::SkyMeshOptions& options, Threads threads) {
  if (calibration.cfa != CfaPattern::none) {
    throw Error(ErrorKind::usage, "", "a mosaic's colours have skies of their own", "");
  }
  SubMeasurement out;
  out.frame = raw.size();
  auto mesh = options;
  mesh.cell_px = std::max(options.cell_px / step, 16);
  for (int plane = 0; plane < raw.planes(); ++plane) {
    const Samples samples = every_so_often(raw, calibration, plane, threads);
    ChannelSky sky;
    sky.mesh = stars::measure_sky(samples.values.cview(), samples.mask.cview(), mesh, threads);
    count_tails(samples.values.cview(), samples.mask.cview(), sky, threads);
    sky.step = step;
    out.sky.push_back(std::move(sky));
  }
  const auto& judged = out.sky[out.sky.size() / 2].mesh;
  out.quality.sky_level = judged.median_level();
  out.quality.noise_per_px = judged.median_noise();
  if (out.quality.noise_per_px > 0.0) out.quality.status = stars::QualityStatus::no_stars;
  return out;
}

}  // namespace coldframe::pipeline
