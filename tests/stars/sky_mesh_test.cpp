#include "coldframe/stars/sky_mesh.hpp"
#include "coldframe/stars/measure.hpp"

#include <cmath>
#include <limits>
#include <vector>

#include "catch.hpp"
#include "stars/sky_cell.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;

namespace {

Grid<float> gaussian_sky(int width, int height, float level, double sd, std::uint64_t seed) {
  Grid<float> image(width, height);
  for (int y = 0; y < height; ++y) {
    RandomStream random(seed, 1, static_cast<std::uint64_t>(y));
    for (float& v : image.row(y)) v = level + static_cast<float>(sd * random.normal());
  }
  return image;
}

}  // namespace

TEST_CASE("clipping corrections have their published values") {
  // check-values OUT-4 (single truncation) and OUT-5 (fixed point of repeated clipping).
  CHECK(truncated_sd(2.0) == Approx(0.8796256610).epsilon(1e-9));
  CHECK(truncated_sd(3.0) == Approx(0.9865783926).epsilon(1e-9));
  CHECK(clipped_sd_fixed_point(2.0) == Approx(0.7257409525).epsilon(1e-8));
  CHECK(clipped_sd_fixed_point(2.5) == Approx(0.9365574133).epsilon(1e-8));
  CHECK(clipped_sd_fixed_point(3.0) == Approx(0.9848461864).epsilon(1e-8));
}

TEST_CASE("plain Gaussian sky: level and noise unbiased") {
  const auto image = gaussian_sky(640, 640, 1000.0F, 12.0, 5);
  const Mask mask(640, 640);
  for (const double kappa : {2.0, 2.5, 3.0}) {
    SkyMeshOptions options;
    options.kappa = kappa;
    options.filter_cells = 1;
    const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), options, Threads{1});
    double level = 0.0;
    double noise = 0.0;
    for (int j = 0; j < 10; ++j) {
      for (int i = 0; i < 10; ++i) {
        level += static_cast<double>(mesh.level(i, j)) / 100.0;
        noise += static_cast<double>(mesh.noise(i, j)) / 100.0;
      }
    }
    // 409,600 values: the mean is known to 0.019, the sd to 0.013; the estimators lose a little.
    CHECK(level == Approx(1000.0).margin(0.1));
    CHECK(noise == Approx(12.0).epsilon(0.006));
  }
}

TEST_CASE("integer data are not quantised to the code step") {
  auto image = gaussian_sky(256, 256, 500.37F, 2.0, 8);
  for (int y = 0; y < 256; ++y) {
    for (float& v : image.row(y)) v = std::round(v);
  }
  const Mask mask(256, 256);
  const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), {}, Threads{1});
  CHECK(mesh.median_level() == Approx(500.37).margin(0.08));
  CHECK(mesh.median_noise() == Approx(std::sqrt(4.0 + 1.0 / 12.0)).epsilon(0.03));
}

TEST_CASE("stars and a galaxy do not pull the sky up") {
  const int width = 768;
  const int height = 640;
  auto image = gaussian_sky(width, height, 0.0F, 0.0, 1);
  image.fill(400.0F);
  // One star per 500 px^2: pixels free of starlight are the minority.
  for (const auto& star : star_scene::random_stars(1000, width, height, 2, 300, 100000, 3)) {
    star_scene::add_star(image, star, {3.0, 3.0, 0, 0}, 8.0);
  }
  // A galaxy with an exponential disc of 20 px scale.
  for (int y = 0; y < height; ++y) {
    for (int x = 0; x < width; ++x) {
      image(x, y) += 3000.0F * std::exp(-static_cast<float>(std::hypot(x - 380, y - 330)) / 20.0F);
    }
  }
  star_scene::add_noise(image, 3.0, 17);
  const Mask mask(width, height);
  const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), {}, Threads{1});
  const double sigma = std::sqrt(400.0 + 9.0);
  CHECK(mesh.median_level() - 400.0 < 0.45 * sigma);
  CHECK(mesh.median_level() - 400.0 > -0.2 * sigma);
  CHECK(mesh.median_noise() == Approx(sigma).epsilon(0.15));
  // The galaxy's centre stands 150 sigma above the sky; the mesh must not follow it.
  CHECK(static_cast<double>(mesh.level_at(380, 330)) - 400.0 < 8.0 * sigma);
}

TEST_CASE("a gradient is followed between the cells' centres") {
  Grid<float> image(512, 384);
  const auto noise = gaussian_sky(512, 384, 0.0F, 1.0, 31);
  for (int y = 0; y < 384; ++y) {
    for (int x = 0; x < 512; ++x) {
      image(x, y) =
          200.0F + 0.1F * static_cast<float>(x) - 0.05F * static_cast<float>(y) + noise(x, y);
    }
  }
  const Mask mask(512, 384);
  const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), {}, Threads{1});
  for (int y = 40; y < 340; y += 37) {
    for (int x = 100; x < 410; x += 31) {
      CHECK(static_cast<double>(mesh.level_at(x, y)) ==
            Approx(200.0 + 0.1 * x - 0.05 * y).margin(0.35));
    }
  }
}

TEST_CASE("rows and single points of the mesh are the same numbers, wherever a row starts") {
  const auto image = gaussian_sky(301, 229, 50.0F, 4.0, 77);
  const Mask mask(301, 229);
  for (const int cell : {16, 33, 64}) {
    SkyMeshOptions options;
    options.cell_px = cell;
    const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), options, Threads{1});
    std::vector<float> whole_row(301);
    std::vector<float> part(100);
    for (const int y : {0, 31, 32, 100, 228}) {
      mesh.level_row(y, 0, whole_row);
      mesh.level_row(y, 57, part);
      for (int x = 0; x < 301; ++x)
        CHECK(whole_row[static_cast<std::size_t>(x)] == mesh.level_at(x, y));
      for (int x = 57; x < 157; ++x) {
        CHECK(part[static_cast<std::size_t>(x - 57)] == whole_row[static_cast<std::size_t>(x)]);
      }
    }
  }
}

TEST_CASE("masked and broken regions take their neighbours' sky") {
  auto image = gaussian_sky(320, 320, 100.0F, 5.0, 9);
  Mask mask(320, 320);
  for (int y = 64; y < 192; ++y) {
    for (int x = 64; x < 192; ++x) {
      image(x, y) = (x + y) % 2 == 0 ? 9000.0F : std::numeric_limits<float>::infinity();
      if ((x + y) % 2 == 0) mask(x, y) = mask_bit::defect;
    }
  }
  const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), {}, Threads{1});
  CHECK(static_cast<double>(mesh.level_at(120, 120)) == Approx(100.0).margin(0.5));
  CHECK(static_cast<double>(mesh.noise_at(120, 120)) == Approx(5.0).margin(0.3));
  mask.fill(mask_bit::not_finite);
  CHECK(std::isnan(measure_sky(image.cview(), mask.cview(), {}, Threads{1}).median_level()));
}

TEST_CASE("a mosaic's sky is that of its greens") {
  auto image = gaussian_sky(256, 256, 0.0F, 3.0, 4);
  for (int y = 0; y < 256; ++y) {
    for (int x = 0; x < 256; ++x)
      image(x, y) += cfa_colour(CfaPattern::grbg, x, y) == 1 ? 80.0F : 300.0F;
  }
  const Mask mask(256, 256);
  SkyMeshOptions options;
  options.cfa = CfaPattern::grbg;
  const SkyMesh mesh = measure_sky(image.cview(), mask.cview(), options, Threads{1});
  CHECK(mesh.median_level() == Approx(80.0).margin(0.1));
  CHECK(mesh.median_noise() == Approx(3.0).margin(0.06));
}

TEST_CASE("a galaxy's halo and a cluster's core: sky and noise against the truth") {
  const int side = 1024;
  const double variance = 409.0;  // 400 of sky, read noise 3
  const double sigma = std::sqrt(variance);
  for (const bool cluster : {false, true}) {
    Grid<float> image(side, side, 400.0F);
    if (cluster) {
      // Plummer's profile with a core of 40 px, 2500 stars of many brightnesses.
      RandomStream random(12, 5, 0);
      for (int i = 0; i < 2500; ++i) {
        const double r = 40.0 / std::sqrt(1.0 / std::max(random.uniform(), 1e-3) - 1.0 + 1e-9);
        const double a = 6.2831853 * random.uniform();
        const double flux = 500.0 * std::pow(200.0, random.uniform());
        const star_scene::TrueStar star{512 + r * std::cos(a), 512 + r * std::sin(a), flux};
        if (r < 500.0) star_scene::add_star(image, star, {3.0, 3.2, 0, 0}, 8.0);
      }
    } else {
      // De Vaucouleurs (1948): half of the light within 90 px.
      for (int y = 0; y < side; ++y) {
        for (int x = 0; x < side; ++x) {
          const double r = std::hypot(x - 512, (y - 512) / 0.7) / 90.0;
          image(x, y) += static_cast<float>(40.0 * std::exp(-7.67 * (std::pow(r, 0.25) - 1.0)));
        }
      }
      for (const auto& star : star_scene::random_stars(150, side, side, 5, 500, 60000, 14)) {
        star_scene::add_star(image, star, {3.0, 3.2, 0, 0}, 8.0);
      }
    }
    star_scene::add_noise(image, 3.0, 15);
    const Mask mask(side, side);
    const auto m = stars::measure_frame(image.cview(), mask.cview(), {}, Threads{2});
    double far_bias = 0.0, far_count = 0.0, largest = 0.0, noise_ratio = 0.0;
    double middle = 0.0;
    for (int j = 0; j < m.sky.level.height(); ++j) {
      for (int i = 0; i < m.sky.level.width(); ++i) {
        const double x = 64.0 * i + 31.5;
        const double y = 64.0 * j + 31.5;
        const double r = std::hypot(x - 512, y - 512);
        const double bias = (static_cast<double>(m.sky.level(i, j)) - 400.0) / sigma;
        if (r < 60.0) middle = std::max(middle, bias);
        if (r > 350.0) {
          far_bias += bias;
          far_count += 1.0;
          noise_ratio += static_cast<double>(m.sky.noise(i, j)) / sigma;
          largest = std::max(largest, std::abs(bias));
        }
      }
    }
    CAPTURE(cluster, far_bias / far_count, largest, middle, noise_ratio / far_count);
    CHECK(std::abs(far_bias / far_count) < 0.05);
    CHECK(largest < 0.2);
    // The galaxy's centre stands 90 sigma above the sky, the cluster's core has no pixel without
    // stars.
    CHECK(middle < (cluster ? 0.3 : 4.0));
    CHECK(noise_ratio / far_count == Approx(1.0).epsilon(0.03));
  }
}
