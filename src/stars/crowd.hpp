/// \file
/// Stars so close that they must be fitted together, and fainter ones that show only when the
/// brighter are taken away.
#pragma once

#include <vector>

#include "coldframe/stars/sky_mesh.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {

struct CrowdOptions {
  double threshold_sigma = 5.0;
  int max_fits = 400;
  SkyMeshOptions sky;
};

/// Whether so many sources have close neighbours that the frame is worth resolve_crowd.
[[nodiscard]] bool is_crowded(const std::vector<Source>& sources) noexcept;

/// Whether all sources cover so much of the frame (discs of 1.5 widths over 8% of it) that the
/// mesh reads their wings as sky and noise, which costs stars at the limit.
[[nodiscard]] bool covers_much(const std::vector<Source>& sources, const FieldProfile& profile,
                               Size frame) noexcept;
/// Takes the fitted light away, measures the sky beside it, adds the sources that stand out in what
/// is left, and makes all ready for another fit. `frame.sky` must point to `sky`.
void look_beside(const DetectionFrame& frame, const CrowdOptions& options,
                 const FieldProfile& profile, SkyMesh& sky, std::vector<Source>& sources,
                 Threads threads);

/// Fits sources with close neighbours again, together or with the others' light taken away.
void refine_neighbours(const DetectionFrame& frame, std::vector<Source>& sources,
                       FieldProfile& profile, Threads threads);

/// Fits all sources in groups, takes their light away, measures the sky and looks for fainter
/// sources in what is left, and begins again (Stetson 1987, PASP 99, 191). `frame.sky` must
/// point to `sky`, which is renewed.
void resolve_crowd(const DetectionFrame& frame, const CrowdOptions& options, SkyMesh& sky,
                   std::vector<Source>& sources, FieldProfile& profile, Threads threads);

/// Adds to the errors what the fits' covariance does not know: errors of the neighbours' light that
/// was taken away, and in a crowd those of profile and sky. The signal-to-noise stays that of the
/// fit.
void widen_errors(std::vector<Source>& sources, const FieldProfile& profile, Size frame,
                  bool crowded);

}  // namespace coldframe::stars
