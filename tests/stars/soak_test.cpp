// The long Monte-Carlo runs behind the promises on centroids, fluxes and widths; scripts/soak.
#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stars/measure.hpp"
#include "coldframe/stars/profile_fit.hpp"
#include "stars/star_scene.hpp"

using namespace coldframe;
using namespace coldframe::stars;
using star_scene::Profile;

TEST_CASE("bias of position, flux and width, honesty of errors over many fields", "[.soak]") {
  for (const Profile profile : {Profile{2.0, 2.5, 0, 0}, Profile{3.0, 3.5, 0.1, 30},
                                Profile{4.0, 0.0, 0, 0}, Profile{6.0, 4.0, 0, 0}}) {
    std::vector<double> dx, flux, width, pull_x, pull_flux, pull_width;
    for (std::uint64_t field = 0; field < 12; ++field) {
      const double size = std::max(1.0, profile.fwhm / 2.0);
      Grid<float> image(1000, 900, 350.0F);
      const Mask mask(1000, 900);
      const auto truth = star_scene::lattice_stars(1000, 900, std::max(36.0, 12.0 * profile.fwhm),
                                                   3500 * size, 60000 * size, 500 + field);
      for (const auto& star : truth) star_scene::add_star(image, star, profile, 14.0);
      star_scene::add_noise(image, 4.0, 600 + field);
      MeasureOptions options;
      options.max_fits = 0;
      const auto m = measure_frame(image.cview(), mask.cview(), options, Threads{0});
      const double root = std::sqrt(1.0 - profile.ellipticity);
      const double expected = std::sqrt(recorded_fwhm(profile.fwhm / root, profile.beta) *
                                        recorded_fwhm(profile.fwhm * root, profile.beta));
      for (const auto& t : truth) {
        for (const Star& s : m.stars) {
          if (!s.fitted || std::hypot(s.x - t.x, s.y - t.y) > 1.0) continue;
          dx.push_back(s.x - t.x);
          pull_x.push_back((s.x - t.x) / s.x_error);
          pull_flux.push_back((s.flux - t.flux) / s.flux_error);
          pull_width.push_back((s.fwhm_px - expected) / s.fwhm_error_px);
          if (s.snr < 50.0) continue;
          flux.push_back(s.flux / t.flux - 1.0);
          width.push_back(s.fwhm_px / expected - 1.0);
        }
      }
    }
    INFO("fwhm " << profile.fwhm << " beta " << profile.beta << " stars " << dx.size());
    REQUIRE(dx.size() > 500);
    CHECK(std::abs(mean(dx)) < 0.005);
    CHECK(std::abs(mean(flux)) < 0.003);
    CHECK(std::abs(mean(width)) < 0.01);
    CHECK(standard_deviation(pull_x) == Approx(1.0).margin(0.1));
    CHECK(standard_deviation(pull_flux) == Approx(1.0).margin(0.1));
    CHECK(standard_deviation(pull_width) == Approx(1.0).margin(0.1));
  }
}
