// Writes what tests/crosscheck/stars_crosscheck.py compares with photutils.
#include <cstdlib>
#include <fstream>
#include <iomanip>
#include <string>

#include "catch.hpp"
#include "coldframe/stars/measure.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;

namespace {

void write_stars(const std::string& path, const StarList& stars) {
  std::ofstream out(path);
  out << "x,y,flux,fwhm,ellipticity,angle_deg,beta,sky,x_error,y_error,flux_error,snr,fitted\n"
      << std::setprecision(9);
  for (const Star& s : stars) {
    out << s.x << ',' << s.y << ',' << s.flux << ',' << s.fwhm_px << ',' << s.ellipticity << ','
        << s.angle_deg << ',' << s.beta << ',' << s.sky << ',' << s.x_error << ',' << s.y_error
        << ',' << s.flux_error << ',' << s.snr << ',' << (s.fitted ? 1 : 0) << '\n';
  }
}

}  // namespace

TEST_CASE("a field for the cross-check with photutils") {
  Grid<float> image(640, 512, 250.0F);
  const Mask mask(640, 512);
  for (int y = 0; y < 512; ++y) {
    for (int x = 0; x < 640; ++x) image(x, y) += 0.05F * static_cast<float>(x);
  }
  const auto truth = star_scene::lattice_stars(640, 512, 48, 1500, 90000, 41);
  for (const auto& star : truth) star_scene::add_star(image, star, {2.7, 3.3, 0.12, 40.0}, 10.0);
  star_scene::add_noise(image, 4.0, 42);
  const FrameMeasurement m = measure_frame(image.cview(), mask.cview(), {}, Threads{1});
  CHECK(m.quality.stars >= static_cast<int>(truth.size()));
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  if (folder == nullptr) return;
  const std::string base = std::string(folder) + "/stars_";
  std::ofstream pixels(base + "image.f32", std::ios::binary);
  for (int y = 0; y < image.height(); ++y) {
    const auto row = image.row(y);
    pixels.write(reinterpret_cast<const char*>(row.data()),
                 static_cast<std::streamsize>(row.size_bytes()));
  }
  write_stars(base + "list.csv", m.stars);
  std::ofstream facts(base + "facts.json");
  facts << std::setprecision(9)
        << "{\"width\": 640, \"height\": 512, \"sky\": " << m.quality.sky_level
        << ", \"noise\": " << m.quality.noise_per_px << ", \"fwhm\": " << m.quality.fwhm_px
        << ", \"ellipticity\": " << m.quality.ellipticity
        << ", \"angle_deg\": " << m.quality.angle_deg << ", \"cell\": " << m.sky.cell_px << "}\n";
  CHECK(facts.good());
  CHECK(pixels.good());
}
