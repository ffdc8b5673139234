#include "sim/readout.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "coldframe/core/random.hpp"
#include "sim/noise.hpp"

namespace coldframe::sim {
namespace {

constexpr int band_rows = 64;

/// Charge of a particle in one pixel.
struct Hit {
  int x = 0, y = 0;
  float electrons = 0.0F;
};

int draw_count(double mean, RandomStream& random) {
  return static_cast<int>(
      poisson_sample(static_cast<float>(mean), random.bits(), NormalTable::shared()));
}

/// Half of the particles come straight down (one pixel), half leave a short track.
std::vector<Hit> cosmic_hits(const Scene& scene, const Exposure& exposure) {
  std::vector<Hit> hits;
  RandomStream random(scene.seed, stream::cosmic_rays, exposure.frame);
  const int count = draw_count(exposure.cosmic_rays, random);
  for (int i = 0; i < count; ++i) {
    const double x = random.uniform() * scene.sensor.width;
    const double y = random.uniform() * scene.sensor.height;
    const double angle = 2.0 * std::numbers::pi * random.uniform();
    const double per_px = 300.0 - 1200.0 * std::log(1.0 - random.uniform());
    const int length = random.uniform() < 0.5 ? 1 : 2 + static_cast<int>(10.0 * random.uniform());
    for (int k = 0; k < length; ++k) {
      const int px = static_cast<int>(x + k * std::cos(angle));
      const int py = static_cast<int>(y + k * std::sin(angle));
      if (px < 0 || py < 0 || px >= scene.sensor.width || py >= scene.sensor.height) continue;
      hits.push_back({px, py, static_cast<float>(per_px * (0.6 + 0.8 * random.uniform()))});
    }
  }
  std::stable_sort(hits.begin(), hits.end(), [](const Hit& a, const Hit& b) { return a.y < b.y; });
  return hits;
}

void add_telegraph(const Scene& scene, const SensorMaps& maps, const Exposure& exposure,
                   Grid<float>& electrons) {
  RandomStream random(scene.seed, stream::telegraph_state, exposure.frame);
  for (const HotPixel& pixel : maps.telegraph) {
    const bool high = (random.bits() & 1U) != 0;
    if (high)
      electrons(pixel.x, pixel.y) += static_cast<float>(pixel.e_per_s * exposure.exposure_s);
  }
}

/// Everything of the converter that is the same for all pixels of a frame.
struct Converter {
  float per_electron = 1.0F;  ///< codes per electron
  float full_well = 0.0F;
  float knee = 0.0F;  ///< 0: none
  float step = 0.0F;
  float highest = 65535.0F;
  unsigned shift = 0;

  explicit Converter(const SensorScene& sensor) noexcept
      : per_electron(static_cast<float>(1.0 / sensor.gain_e_per_adu)),
        full_well(static_cast<float>(sensor.full_well_e)),
        knee(static_cast<float>(sensor.dual_gain_adu)),
        step(static_cast<float>(sensor.dual_gain_step)),
        highest(static_cast<float>(highest_code(sensor))),
        shift(static_cast<unsigned>(sensor.left_shift)) {}

  [[nodiscard]] std::uint16_t code(float electrons, float read_e, float bias_adu) const noexcept {
    float signal = std::min(electrons, full_well) * per_electron;
    if (knee > 0.0F && signal > knee) signal += step * (signal - knee);
    const float value = signal + read_e * per_electron + bias_adu;
    const float bounded = std::clamp(std::floor(value + 0.5F), 0.0F, highest);
    return static_cast<std::uint16_t>(static_cast<unsigned>(bounded) << shift);
  }
};

std::vector<float> column_bias(const Scene& scene, const SensorMaps& maps,
                               const Exposure& exposure) {
  std::vector<float> bias = maps.bias_column_adu;
  const double noise_adu = scene.sensor.column_noise_e / scene.sensor.gain_e_per_adu;
  RandomStream random(scene.seed, stream::column_noise, exposure.frame);
  for (float& value : bias) {
    value += static_cast<float>(scene.sensor.offset_adu);
    if (noise_adu > 0.0) value += static_cast<float>(noise_adu * random.normal());
  }
  return bias;
}

float row_bias(const Scene& scene, const SensorMaps& maps, const Exposure& exposure, int y) {
  double bias = maps.bias_slope_adu * (static_cast<double>(y) / scene.sensor.height - 0.5);
  if (scene.sensor.row_noise_e > 0.0) {
    RandomStream random(scene.seed, stream::row_noise,
                        (std::uint64_t{exposure.frame} << 32U) + static_cast<std::uint64_t>(y));
    bias += scene.sensor.row_noise_e / scene.sensor.gain_e_per_adu * random.normal();
  }
  return static_cast<float>(bias);
}

}  // namespace

int highest_code(const SensorScene& sensor) noexcept { return (1 << sensor.adc_bits) - 1; }

Grid<std::uint16_t> read_out(const Scene& scene, const SensorMaps& maps, const Exposure& exposure,
                             Grid<float> electrons, Threads threads) {
  const SensorScene& sensor = scene.sensor;
  if (exposure.exposure_s > 0.0) add_telegraph(scene, maps, exposure, electrons);
  const auto hits = cosmic_hits(scene, exposure);
  const auto columns = column_bias(scene, maps, exposure);
  const Converter converter(sensor);
  const NormalTable& normal = NormalTable::shared();
  const auto read_noise = static_cast<float>(sensor.read_noise_e);
  const auto seconds = static_cast<float>(exposure.exposure_s);
  const auto glow =
      static_cast<float>(maps.glow_x.empty() ? 0.0
                                             : sensor.glow_e * std::pow(exposure.exposure_s / 100.0,
                                                                        sensor.glow_power));
  Grid<std::uint16_t> codes(sensor.width, sensor.height);
  parallel_bands(threads, sensor.height, band_rows, [&](int y0, int y1) {
    const auto width = static_cast<std::size_t>(sensor.width);
    std::vector<float> read(width);
    auto hit =
        std::lower_bound(hits.begin(), hits.end(), y0, [](const Hit& h, int y) { return h.y < y; });
    for (int y = y0; y < y1; ++y) {
      const auto row = electrons.row(y);
      const auto dark = maps.dark_rate.cview().row(y);
      for (std::size_t x = 0; x < width; ++x) row[x] += seconds * dark[x];
      if (glow > 0.0F) {
        const float here = glow * maps.glow_y[static_cast<std::size_t>(y)];
        for (std::size_t x = 0; x < width; ++x) row[x] += here * maps.glow_x[x];
      }
      sample_row({scene.seed, exposure.frame, static_cast<std::uint32_t>(y)}, row, read, normal);
      for (; hit != hits.end() && hit->y == y; ++hit) {
        row[static_cast<std::size_t>(hit->x)] += hit->electrons;
      }
      const float bias = row_bias(scene, maps, exposure, y);
      const auto out = codes.row(y);
      for (std::size_t x = 0; x < width; ++x) {
        out[x] = converter.code(row[x], read_noise * read[x], bias + columns[x]);
      }
    }
  });
  return codes;
}

}  // namespace coldframe::sim
