/// \file
/// What the fitting passes share.
#pragma once

#include <algorithm>
#include <array>
#include <cmath>
#include <memory>
#include <span>
#include <vector>

#include "stars/neighbour_grid.hpp"
#include "stars/source.hpp"
#include "stars/star_from_fit.hpp"

namespace coldframe::stars {

inline constexpr std::size_t max_neighbours = 24;
using NeighbourStore = std::array<Point, max_neighbours>;

/// A fit of `source` that starts from the field's profile.
[[nodiscard]] FitSetup setup_for(const DetectionFrame& frame, const Source& source,
                                 const FieldProfile& profile);

/// Position and flux alone are fitted within so many widths of the source.
inline constexpr double fixed_fit_widths = 1.2;
/// Position and flux of one source with the field's profile; saturated ones from their wings.
[[nodiscard]] FitSetup fixed_setup(const DetectionFrame& frame, const Source& source,
                                   const FieldProfile& profile);

/// Enters a fit's result.
void take(Source& source, const FitResult& fit, const Ellipse& recorded);
/// The same for a fit whose shape was given, not measured.
void take_fixed(Source& source, const FitResult& fit, const Ellipse& recorded);

/// The field's profile as recorded: the shape of all fits of fixed shape.
[[nodiscard]] Ellipse fixed_ellipse(const FieldProfile& profile);

/// The same where a source stands, from the mean where the field does not vary.
[[nodiscard]] inline Ellipse fixed_ellipse_at(const FieldProfile& profile, const Ellipse& mean,
                                              const Star& star) noexcept {
  return profile.surface.varies ? profile.recorded_at({star.x, star.y}) : mean;
}

/// Median ellipse and exponent of the well fitted stars become the profile for the others.
void adopt_mean_shape(const std::vector<Source>& sources, Size frame, FieldProfile& profile);

/// Runs `fit_one(source index, workspace)` over a list, a few per task.
template <typename FitOne>
void for_each_fit(const std::vector<std::size_t>& list, Threads threads, const FitOne& fit_one) {
  constexpr std::size_t fits_per_task = 8;
  const std::size_t tasks = (list.size() + fits_per_task - 1) / fits_per_task;
  parallel_for(threads, tasks, [&](std::size_t task) {
    const auto work = std::make_unique<FitWorkspace>();
    const std::size_t last = std::min(list.size(), (task + 1) * fits_per_task);
    for (std::size_t k = task * fits_per_task; k < last; ++k) fit_one(list[k], *work);
  });
}

/// Who is near whom.
class Crowd {
 public:
  Crowd(const std::vector<Source>& sources, Size frame, double reach)
      : sources_(sources),
        places_(places_of(sources)),
        grid_(places_, frame, reach),
        reach_(reach) {}

  /// Other sources that could share the fitted region; the nearest ones.
  std::span<const Point> around(std::size_t i, NeighbourStore& store) const {
    std::array<double, max_neighbours> distance{};
    std::size_t count = 0;
    grid_.near(places_[i], reach_, [&](std::size_t j, double d2) {
      if (j == i || sources_[j].dropped) return;
      // Too faint to matter beside this one.
      if (sources_[j].peak.value < 0.01F * sources_[i].peak.value) return;
      std::size_t at = count < max_neighbours ? count++ : max_neighbours;
      if (at == max_neighbours) {
        const auto farthest = std::max_element(distance.begin(), distance.end());
        if (*farthest <= d2) return;
        at = static_cast<std::size_t>(farthest - distance.begin());
      }
      distance[at] = d2;
      store[at] = places_[j];
    });
    return {store.data(), count};
  }

  [[nodiscard]] bool isolated(std::size_t i, double radius) const {
    bool alone = true;
    grid_.near(places_[i], radius, [&](std::size_t j, double) {
      if (j != i && !sources_[j].dropped &&
          sources_[j].peak.value > 0.1F * sources_[i].peak.value) {
        alone = false;
      }
    });
    return alone;
  }

  /// Distance of the nearest source of at least a tenth of its light, in quarters of `fwhm`, at
  /// most 12.
  [[nodiscard]] int isolation(std::size_t i, double fwhm) const noexcept {
    double nearest2 = 9.0 * fwhm * fwhm;
    grid_.near(places_[i], 3.0 * fwhm, [&](std::size_t j, double d2) {
      if (j != i && !sources_[j].dropped && !sources_[j].sharp &&
          sources_[j].star.flux > 0.1 * sources_[i].star.flux) {
        nearest2 = std::min(nearest2, d2);
      }
    });
    return static_cast<int>(4.0 * std::sqrt(nearest2) / fwhm);
  }

 private:
  static std::vector<Point> places_of(const std::vector<Source>& sources) {
    std::vector<Point> places(sources.size());
    for (std::size_t i = 0; i < sources.size(); ++i)
      places[i] = {sources[i].star.x, sources[i].star.y};
    return places;
  }
  const std::vector<Source>& sources_;
  std::vector<Point> places_;
  NeighbourGrid grid_;
  double reach_;
};

}  // namespace coldframe::stars
