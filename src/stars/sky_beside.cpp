#include <numbers>

#include "stars/crowd.hpp"
#include "stars/light_model.hpp"
#include "stars/neighbour_grid.hpp"
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

namespace {

/// Peaks in what no fitted light explains; the rest of a badly explained source is none.
std::vector<Source> find_beside(const DetectionFrame& rest, const FieldProfile& profile,
                                const std::vector<Source>& sources, double threshold,
                                Threads threads) {
  FilteredFrame filtered;
  filter_frame(rest, profile.fwhm_px, threads, filtered);
  std::vector<Point> places(sources.size());
  for (std::size_t i = 0; i < sources.size(); ++i) {
    places[i] = {sources[i].star.x, sources[i].star.y};
  }
  const double far = 12.0 * profile.fwhm_px;
  const NeighbourGrid grid(places, rest.image.size(), far);
  const PeakLimits limits = peak_limits(profile.fwhm_px, rest.cfa);
  std::vector<Source> more;
  for (const Peak& peak : keep_prominent(rest, filtered, find_peaks(filtered, threshold, threads),
                                         threshold, threads)) {
    constexpr int longest_line = 6;
    if (peak.line_steps > longest_line) continue;
    bool taken = false;
    grid.near({1.0 * peak.x, 1.0 * peak.y}, far, [&](std::size_t j, double d2) {
      const Source& s = sources[j];
      // What stars' profiles leave over grows with their light: a percent at two widths; galaxies
      // reach further, halos and rays of saturated stars furthest.
      const bool odd = s.suspect || !s.converged || s.star.snr > 100.0;
      const double widths = s.saturated ? 12.0 : odd ? 6.0 : 1.0;
      const double reach = widths * profile.fwhm_px;
      taken = taken || d2 < reach * reach;
    });
    if (taken) continue;
    Source source = inspect_peak(rest, filtered, peak, limits);
    if (!source.saturated && !source.dropped && !source.sharp) more.push_back(source);
  }
  return more;
}

}  // namespace

void look_beside(const DetectionFrame& frame, const CrowdOptions& options,
                 const FieldProfile& profile, SkyMesh& sky, std::vector<Source>& sources,
                 Threads threads) {
  LightModel model(sources, profile, frame.image.size(), frame.sky->median_noise());
  model.draw(threads);
  sky = measure_sky_without(frame.image, frame.mask, &model.drawn(), options.sky, threads);
  DetectionFrame rest = frame;
  rest.known_light = &model.drawn();
  const auto more = find_beside(rest, profile, sources, options.threshold_sigma, threads);
  sources.insert(sources.end(), more.begin(), more.end());
  for (Source& s : sources) {
    s.converged = s.full_shape = s.suspect = s.star.fitted = false;
    s.pedestal = 0.0;
    s.star.sky = static_cast<double>(sky.level_at(s.star.x, s.star.y));
  }
}

}  // namespace coldframe::stars
