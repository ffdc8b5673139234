/// \file
/// What is known of a detection on its way to becoming a `Star`.
#pragma once

#include <vector>

#include "coldframe/core/star.hpp"
#include "stars/detect.hpp"
#include "stars/profile_lm.hpp"
#include "stars/shape_surface.hpp"

namespace coldframe::stars {

/// The field's own star profile.
struct FieldProfile {
  double fwhm_px = 3.0;     ///< as recorded
  double optical_px = 2.8;  ///< before the pixel, geometric mean
  double beta = 3.5;
  bool gaussian = false;                   ///< no wings: fit Gaussians
  double s11 = 0.0, s12 = 0.0, s22 = 0.0;  ///< mean half-maximum ellipse; 0 = unknown
  ShapeSurface surface;                    ///< how the ellipse changes over the frame
  int stars = 0;                           ///< it rests on so many
  bool crowded = false;                    ///< unseen companions widen most sources
  bool rings = false;                      ///< far out of focus: stars are rings of `fwhm_px`

  /// The stars' half-maximum ellipse at a place.
  [[nodiscard]] ShapeMatrix shape_at(Point p) const noexcept;
  /// Recorded from optical axes: widths add nearly in squares.
  [[nodiscard]] Ellipse recorded_at(Point p) const noexcept;
};

/// The brightest pixel of a source against the pairs of pixels that face each other across it.
struct SharpEdge {
  double across = 1.0;      ///< darker of the two pairs along the axes over the pixel, above sky
  double diagonal = 1.0;    ///< the same of the pairs along the diagonals
  double top_error = 1.0;   ///< of the pixel, over its own value: sky and photons
  double pair_error = 1.0;  ///< of a pair's mean over the pixel
  int lit = 0;              ///< neighbours of at least a quarter of its light
};

struct Source {
  Peak peak;
  Star star;  ///< position and flux are first guesses until a fit
  double optical_major = 0.0, optical_minor = 0.0;
  double s11 = 0.0, s12 = 0.0, s22 = 0.0;
  double pedestal = 0.0;  ///< light around the source above the mesh, image units
  double spread_ratio =
      1.0;  ///< second moment over that of the field's profile, for fits of fixed shape
  double spread_error = 0.0;  ///< 0 = unknown
  double spread_along = 1.0;  ///< the ratio in the direction where it is largest
  double saturated_radius = 0.0;
  bool dropped = false;
  bool saturated = false;
  bool sharp = false;  ///< one pixel stands far above its neighbours
  SharpEdge sharp_edge;
  bool edge = false;
  bool isolated = false;
  int isolation = 0;  ///< distance of the nearest comparable source in quarter widths, at most 12
  bool full_shape = false;  ///< its own shape is fitted, not the field's
  bool suspect = false;     ///< fitted freely because the field's shape did not suit it
  bool converged = false;   ///< some fit succeeded (free or fixed shape)
};

/// What stars of one recorded width show at least; the same for every peak of a frame.
struct PeakLimits {
  double fwhm_px = 3.0;
  double least_ratio = 0.0;  ///< neighbours' mean over the brightest pixel, centred on it
  double edge_side = 0.0;    ///< `least_side_ratio` of stars in the field's sharper parts
};
[[nodiscard]] PeakLimits peak_limits(double fwhm_px, CfaPattern cfa) noexcept;

/// Looks at the pixels of a peak: masked, saturated, at the edge, a single hot pixel;
/// first guesses for a fit.
[[nodiscard]] Source inspect_peak(const DetectionFrame& frame, const FilteredFrame& filtered,
                                  const Peak& peak, const PeakLimits& limits);

/// Pairs of pixels that face each other across the brightest one near a peak. Mosaics: the greens'
/// diagonals alone.
[[nodiscard]] SharpEdge look_for_edge(const DetectionFrame& frame, const Peak& peak, double sky,
                                      double sigma) noexcept;

/// A pixel's neighbour over the pixel for a star of this recorded width centred on it: no star of
/// this width shows less.
[[nodiscard]] double least_side_ratio(double fwhm_px) noexcept;
/// Whether a pair of pixels across the brightest one is darker than any star of this recorded
/// width could make it (after van Dokkum 2001, PASP 113, 1420: cosmic rays by their edges).
[[nodiscard]] bool has_sharp_edge(const Source& source, double fwhm_px) noexcept;
/// The same with `least_side_ratio` of that width.
[[nodiscard]] bool edge_sharper_than(const Source& source, double side_ratio) noexcept;

/// As `inspect_peak` for a field whose width is still unknown: only pixels narrower than any
/// star (FWHM 1.2 px) count as sharp; the star's width is guessed from the filtered image.
[[nodiscard]] Source inspect_first_peak(const DetectionFrame& frame, const FilteredFrame& filtered,
                                        const Peak& peak, const PeakLimits& narrowest);
/// Limits of the narrowest stars.
[[nodiscard]] PeakLimits narrowest_limits(CfaPattern cfa) noexcept;

/// Radius of the fitted region for a star of this recorded width.
[[nodiscard]] int fit_radius(double fwhm_px) noexcept;

/// Width and exponent of the field's stars from bright compact sources found with a
/// default filter. `stars` = 0 when there are none.
[[nodiscard]] FieldProfile find_field_profile(const DetectionFrame& frame,
                                              const FilteredFrame& first, Threads threads);

/// Where no star is bright enough for a fit of its own: the maxima of 6 sigma behind this filter
/// and their median width at half height, the filter's taken out.
struct FaintWidth {
  std::size_t peaks = 0;
  double fwhm_px = 0.0;
};
[[nodiscard]] FaintWidth width_of_faint(const DetectionFrame& frame, const FilteredFrame& filtered,
                                        Threads threads);

/// Half-sample mode (Robertson & Cryer 1974; Bickel & Fruehwirth 2006) of unsorted values; NaN when
/// empty.
[[nodiscard]] double half_sample_mode(std::vector<double> values);

/// Fits: full shape for the brightest isolated sources (at most `max_fits`, 0 = all),
/// then position and flux with the field's mean profile for all others.
void fit_sources(const DetectionFrame& frame, std::vector<Source>& sources, FieldProfile& profile,
                 int max_fits, Threads threads);

/// Sets `star.kind` of every source from its shape against the local profile, the lines it lies on
/// and its neighbours.
void classify(Size frame, const FieldProfile& profile, std::vector<Source>& sources);

/// Pieces of straight lines among the sources: trails, and spikes of bright stars.
void classify_lines(Size frame, const FieldProfile& profile, std::vector<Source>& sources);
/// Stars with a comparable neighbour closer than 1.5 widths.
void classify_crowded(Size frame, const FieldProfile& profile, std::vector<Source>& sources);

}  // namespace coldframe::stars
