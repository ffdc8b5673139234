#include <numbers>

#include "stars/crowd.hpp"
#include "stars/light_model.hpp"
#include "stars/sky_without.hpp"

namespace coldframe::stars {

bool covers_much(const std::vector<Source>& sources, const FieldProfile& profile,
                 Size frame) noexcept {
  constexpr std::size_t least = 60;
  constexpr double covered_share = 0.08;
  std::size_t all = 0;
  for (const Source& s : sources) all += s.dropped || s.sharp ? std::size_t{0} : std::size_t{1};
  const double disc = 2.25 * std::numbers::pi * profile.fwhm_px * profile.fwhm_px;
  const double area = static_cast<double>(frame.width) * static_cast<double>(frame.height);
  return all >= least && disc * static_cast<double>(all) > covered_share * area;
}

SkyMesh sky_beside(const DetectionFrame& frame, const std::vector<Source>& sources,
                   const FieldProfile& profile, const SkyMeshOptions& options, Threads threads) {
  LightModel model(sources, profile, frame.image.size(), frame.sky->median_noise());
  model.draw(threads);
  return measure_sky_without(frame.image, frame.mask, &model.drawn(), options, threads);
}

}  // namespace coldframe::stars
