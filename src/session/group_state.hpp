// What is known of the subs of one result while it is being made.
#pragma once

#include <array>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/align/distortion.hpp"
#include "coldframe/align/match.hpp"
#include "coldframe/pipeline/combine_pass.hpp"
#include "coldframe/pipeline/measure_pass.hpp"
#include "coldframe/session/inventory.hpp"
#include "coldframe/session/options.hpp"
#include "coldframe/sky/ephemeris.hpp"
#include "coldframe/stack/normalise.hpp"
#include "coldframe/stars/field_shape.hpp"
#include "judge.hpp"

namespace coldframe::session {

/// What is told of a sub beyond what decides.
struct SubDetails {
  stars::FieldShape field;
  std::optional<sky::Circumstances> sky;
  int stars_equal_depth = 0;  ///< stars above the flux that most subs reach; 0: unknown
  double snr_share = 0.0;     ///< of the kept subs' summed (signal/noise)^2 for point sources
  /// Rise of the sky across the frame along the reference's axes, as a share of its level.
  std::optional<Point> gradient;
};

struct SubState {
  std::string name;
  std::string local_name;  ///< within its own folder of the session
  std::filesystem::path path;
  const FrameInfo* info = nullptr;
  std::size_t frame = 0;  ///< index into the inventory
  std::shared_ptr<const pipeline::Calibration> calibration;
  pipeline::SubMeasurement measured;  ///< previews dropped: they stay in the cache
  std::filesystem::path cache_file;
  std::string cache_key;
  std::string stamp;                    ///< fits::stat_key of the file when it was measured
  std::array<Point, 3> plane_offset{};  ///< see pipeline::CombineSub
  double line_unit = 1.0;               ///< calibrated units per ADU
  bool usable = false;                  ///< could be read and measured
  bool kept = false;
  std::string reason;                            ///< why not kept
  std::string mend;                              ///< what would make an unusable file usable
  align::MatchResult match;                      ///< to the reference sub
  std::vector<align::ResidualVector> residuals;  ///< of its match, some
  std::optional<align::MatchResult> given;       ///< by the owner, in place of matching
  std::string through;     ///< name of the sub that led to the reference; empty: none
  Transform to_canvas;     ///< the same, onto the result's grid
  std::size_t set_up = 0;  ///< telescope and camera; 0: the reference's
  stack::ScaleEstimate scale;
  double transparency = 0.0;  ///< 0: unknown
  Decision decision;
  SubDetails details;
  std::vector<stack::SkySurface> surfaces;
  std::vector<double> weights;
  std::vector<stack::Trail> trails;  ///< canvas coordinates
};

struct GroupState {
  std::string object;
  std::string filter;
  int planes = 1;
  std::vector<SubState> subs;
  std::size_t photometric_reference = 0;
  std::string kept_scale;  ///< measurement of the sub whose flux scale stays; empty: chosen
  align::DistortionFit distortion;
};

}  // namespace coldframe::session
