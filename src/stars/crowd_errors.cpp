// Standard errors among neighbours.
#include <algorithm>
#include <cmath>

#include "stars/crowd.hpp"
#include "stars/neighbour_grid.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {
namespace {

/// Share of a neighbour's light that a matched weight of the field's profile collects at a
/// distance: the profile with itself is about one root two times as wide.
double overlap(const FieldProfile& profile, double distance2) noexcept {
  const double half2 = 0.5 * profile.fwhm_px * profile.fwhm_px;  // (sqrt 2 FWHM / 2)^2
  const double q2 = distance2 / half2;
  if (profile.gaussian) return std::exp2(-q2);
  return std::pow(1.0 + (std::exp2(1.0 / profile.beta) - 1.0) * q2, -profile.beta);
}

/// Share of the sources that have a comparable neighbour within three widths.
double close_share(const std::vector<Source>& sources) noexcept {
  double all = 0.0;
  double close = 0.0;
  for (const Source& s : sources) {
    if (s.dropped || s.sharp) continue;
    all += 1.0;
    close += s.isolated ? 0.0 : 1.0;
  }
  return all > 0.0 ? close / all : 0.0;
}

}  // namespace

void widen_errors(std::vector<Source>& sources, const FieldProfile& profile, Size frame,
                  bool crowded) {
  // Fields of uniform stars of 15 to 500 sigma, one per (2.4 to 12 FWHM)^2, against their truth:
  // what is taken away of neighbours is right to this share of it, and in a crowd the profile and
  // the sky, which no star shows by itself, to up to a percent of a star's light.
  constexpr double neighbour_share = 0.025;
  const double profile_share = crowded ? 0.01 * close_share(sources) : 0.0;
  std::vector<Point> places(sources.size());
  for (std::size_t i = 0; i < sources.size(); ++i) {
    places[i] = {sources[i].star.x, sources[i].star.y};
  }
  const double reach = 4.0 * profile.fwhm_px;
  const NeighbourGrid grid(places, frame, reach);
  for (std::size_t i = 0; i < sources.size(); ++i) {
    Source& s = sources[i];
    if (s.dropped || !s.converged || s.sharp || !(s.star.flux_error > 0.0)) continue;
    double others = 0.0;
    grid.near(places[i], reach, [&](std::size_t j, double d2) {
      const Source& other = sources[j];
      if (j == i || other.dropped || !other.converged || other.sharp) return;
      others += other.star.flux * overlap(profile, d2);
    });
    Star& star = s.star;
    const double misfit = crowded ? std::sqrt(std::max(1.0, star.chi2_per_dof)) : 1.0;
    const double own = misfit * star.flux_error;
    const double beside = std::hypot(own, neighbour_share * others);
    star.x_error *= misfit * beside / own;
    star.y_error *= misfit * beside / own;
    star.flux_error = std::hypot(beside, profile_share * star.flux);
  }
}

}  // namespace coldframe::stars
