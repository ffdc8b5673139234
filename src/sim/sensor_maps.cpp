#include "sim/sensor_maps.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <unordered_set>

#include "coldframe/core/random.hpp"
#include "sim/noise.hpp"

namespace coldframe::sim {
namespace {

constexpr int band_rows = 64;

/// A ring-shaped shadow of an out-of-focus grain.
struct Dust {
  double x = 0.0, y = 0.0, outer = 10.0, inner = 4.0, depth = 0.05;
};

std::vector<Dust> scatter_dust(const Scene& scene) {
  std::vector<Dust> grains;
  const double size = 0.02 * std::min(scene.sensor.width, scene.sensor.height);
  for (int i = 0; i < scene.optics.dust_count; ++i) {
    RandomStream random(scene.seed, stream::dust, static_cast<std::uint64_t>(i));
    Dust grain;
    grain.x = random.uniform() * scene.sensor.width;
    grain.y = random.uniform() * scene.sensor.height;
    grain.outer = std::max(4.0, size * (0.6 + 0.9 * random.uniform()));
    grain.inner = grain.outer * (0.25 + 0.2 * random.uniform());
    grain.depth = scene.optics.dust_depth * (0.4 + 0.6 * random.uniform());
    grains.push_back(grain);
  }
  return grains;
}

double smooth_edge(double distance) noexcept {  // 0 outside, 1 inside, over about 3 px
  const double t = std::clamp(0.5 - distance / 3.0, 0.0, 1.0);
  return t * t * (3.0 - 2.0 * t);
}

void apply_dust(Grid<float>& map, const std::vector<Dust>& grains, double shift) {
  for (const Dust& grain : grains) {
    const double cx = grain.x + shift;
    const double cy = grain.y + 0.5 * shift;
    const int reach = static_cast<int>(grain.outer) + 3;
    const int x = static_cast<int>(cx);
    const int y = static_cast<int>(cy);
    const Rect box =
        whole(map.size()).intersect({x - reach, y - reach, x + reach + 1, y + reach + 1});
    for (int v = box.y0; v < box.y1; ++v) {
      for (int u = box.x0; u < box.x1; ++u) {
        const double r = std::hypot(u - cx, v - cy);
        const double ring = smooth_edge(r - grain.outer) - 0.7 * smooth_edge(r - grain.inner);
        map(u, v) *= static_cast<float>(1.0 - grain.depth * ring);
      }
    }
  }
}

/// cos^4 of the field angle, scaled so that the corner loses `vignetting`; times pixel response.
Grid<float> smooth_response(const Scene& scene, Threads threads) {
  const SensorScene& sensor = scene.sensor;
  Grid<float> map(sensor.width, sensor.height);
  const double cx = 0.5 * (sensor.width - 1);
  const double cy = 0.5 * (sensor.height - 1);
  const double corner = std::pow(1.0 - scene.optics.vignetting, -0.5) - 1.0;  // tan^2 there
  const double per_px2 = corner / (cx * cx + cy * cy);
  const NormalTable& normal = NormalTable::shared();
  parallel_bands(threads, sensor.height, band_rows, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      RandomStream random(scene.seed, stream::pixel_response, static_cast<std::uint64_t>(y));
      const auto row = map.row(y);
      for (int x = 0; x < sensor.width; ++x) {
        const double r2 = (x - cx) * (x - cx) + (y - cy) * (y - cy);
        const double fall = 1.0 + per_px2 * r2;
        const double pixel =
            1.0 + sensor.pixel_response_sd * static_cast<double>(normal.sample(random.bits()));
        row[static_cast<std::size_t>(x)] =
            static_cast<float>(std::max(0.05, pixel) / (fall * fall));
      }
    }
  });
  return map;
}

Grid<float> ordinary_dark(const Scene& scene, Threads threads) {
  const SensorScene& sensor = scene.sensor;
  Grid<float> map(sensor.width, sensor.height);
  const NormalTable& normal = NormalTable::shared();
  parallel_bands(threads, sensor.height, band_rows, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      RandomStream random(scene.seed, stream::dark_spread, static_cast<std::uint64_t>(y));
      for (float& rate : map.row(y)) {
        const double z = static_cast<double>(normal.sample(random.bits()));
        rate =
            static_cast<float>(sensor.dark_e_per_s * std::max(0.0, 1.0 + sensor.dark_spread * z));
      }
    }
  });
  return map;
}

/// Different pixels at random; `value` draws what belongs to each.
template <typename Value>
std::vector<HotPixel> scatter_pixels(const Scene& scene, double share, std::uint32_t purpose,
                                     const Value& value) {
  const double area = static_cast<double>(scene.sensor.width) * scene.sensor.height;
  const auto count = static_cast<std::uint64_t>(std::llround(share * area));
  std::vector<HotPixel> pixels;
  std::unordered_set<std::int64_t> taken;
  for (std::uint64_t i = 0; i < count; ++i) {
    RandomStream random(scene.seed, purpose, i);
    HotPixel pixel;
    pixel.x = static_cast<int>(random.uniform() * scene.sensor.width);
    pixel.y = static_cast<int>(random.uniform() * scene.sensor.height);
    if (!taken.insert(std::int64_t{pixel.y} * scene.sensor.width + pixel.x).second) continue;
    pixel.e_per_s = value(random);
    pixels.push_back(pixel);
  }
  return pixels;
}

std::vector<float> gaussian_axis(int length, double centre, double width) {
  std::vector<float> values(static_cast<std::size_t>(length));
  for (int i = 0; i < length; ++i) {
    const double t = (i - centre) / width;
    values[static_cast<std::size_t>(i)] = static_cast<float>(std::exp(-0.5 * t * t));
  }
  return values;
}

}  // namespace

SensorMaps make_sensor_maps(const Scene& scene, Threads threads) {
  const SensorScene& sensor = scene.sensor;
  SensorMaps maps;
  maps.light_response = smooth_response(scene, threads);
  maps.cold = scatter_pixels(scene, sensor.cold_pixel_share, stream::cold_pixels,
                             [](RandomStream& random) { return 0.1 + 0.5 * random.uniform(); });
  for (const HotPixel& cold : maps.cold) {
    maps.light_response(cold.x, cold.y) *= static_cast<float>(cold.e_per_s);
  }
  const auto grains = scatter_dust(scene);
  if (scene.optics.dust_moved_px > 0.0) {
    maps.flat_response = maps.light_response.clone();
    apply_dust(maps.flat_response, grains, 0.0);
  }
  apply_dust(maps.light_response, grains, scene.optics.dust_moved_px);

  maps.dark_rate = ordinary_dark(scene, threads);
  maps.hot = scatter_pixels(
      scene, sensor.hot_pixel_share, stream::hot_pixels,
      [&](RandomStream& r) { return -sensor.hot_pixel_e_per_s * std::log(1.0 - r.uniform()); });
  for (const HotPixel& hot : maps.hot)
    maps.dark_rate(hot.x, hot.y) += static_cast<float>(hot.e_per_s);
  std::stable_sort(maps.hot.begin(), maps.hot.end(),
                   [](const HotPixel& a, const HotPixel& b) { return a.e_per_s > b.e_per_s; });
  maps.telegraph = scatter_pixels(
      scene, sensor.telegraph_share, stream::telegraph_pixels,
      [&](RandomStream& r) { return 0.01 * sensor.telegraph_e * (0.5 + r.uniform()); });

  for (int x = 0; x < sensor.width; ++x) {
    RandomStream random(scene.seed, stream::bias_columns, static_cast<std::uint64_t>(x));
    maps.bias_column_adu.push_back(
        static_cast<float>(0.5 * sensor.bias_structure_adu * random.normal()));
  }
  maps.bias_slope_adu = sensor.bias_structure_adu;
  if (sensor.glow_e > 0.0) {
    const double width = 0.25 * std::max(sensor.width, sensor.height);
    maps.glow_x = gaussian_axis(sensor.width, sensor.width - 1.0, width);
    maps.glow_y = gaussian_axis(sensor.height, 0.0, width);
  }
  return maps;
}

}  // namespace coldframe::sim
