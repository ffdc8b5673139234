/// \file
/// Rendering the frames of a scene, one at a time, each from its own random streams.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/sim/scene.hpp"

namespace coldframe::sim {

/// A frame of the session before it is rendered.
struct FramePlan {
  FrameKind kind = FrameKind::light;
  int index = 0;       ///< within its kind, over all filters
  std::string filter;  ///< lights and flats
  std::string path;    ///< relative, e.g. "lights/wren_L_0001.fits"
  double exposure_s = 0.0;
  double start_s = 0.0;  ///< since the session's start
};
[[nodiscard]] std::vector<FramePlan> plan_frames(const Scene& scene);

struct TrueStar {
  double x = 0.0, y = 0.0;    ///< on the sky grid = pixel grid of an undithered, unrotated frame
  double flux_e_per_s = 0.0;  ///< through a clear sky, centre of the field (before vignetting)
  double colour[3] = {1, 1,
                      1};  ///< relative response in red, green, blue (filters R, G, B or a mosaic)
  bool cluster = false;
  double ra_deg = 0.0, dec_deg = 0.0;  ///< gnomonic about the scene's position
  double magnitude = 0.0;
};
struct TrueTrail {
  double x1 = 0.0, y1 = 0.0, x2 = 0.0, y2 = 0.0;  ///< sub's pixels
  double peak_e = 0.0, fwhm_px = 0.0;             ///< before vignetting
  double wing_share = 0.0;                        ///< height of a second part four times as wide
};
struct TrueSub {
  std::string path;
  Transform sky_to_sub;
  double fwhm_px = 0.0;          ///< as recorded at the frame's centre, pixel response included
  double fwhm_optical_px = 0.0;  ///< before the pixel
  double ellipticity = 0.0;
  double sky_e = 0.0;  ///< at the frame's centre, before the flat; green of a mosaic
  double transparency = 1.0;
  double exposure_s = 0.0;
  bool flipped = false;
  double noise_e = 0.0;  ///< of a sky pixel at the centre: photons and read noise
  std::vector<TrueTrail> trails;
  std::string spoiled;  ///< "", "smeared", "jump", "clouded"
};
struct HotPixel {
  int x = 0, y = 0;
  double e_per_s = 0.0;  ///< above the ordinary dark current
};
/// Everything a test may want to know.
struct Truth {
  std::vector<TrueStar> stars;
  std::vector<TrueSub> subs;
  std::vector<HotPixel> hot_pixels;        ///< strongest first
  std::vector<HotPixel> telegraph_pixels;  ///< e_per_s: height of the jump
  std::vector<HotPixel> cold_pixels;       ///< e_per_s: relative response
};

/// Prepares what all frames share (star list, sensor maps) and renders frames.
class Simulator {
 public:
  explicit Simulator(Scene scene);
  ~Simulator();
  [[nodiscard]] const Scene& scene() const noexcept;
  [[nodiscard]] const std::vector<FramePlan>& frames() const noexcept;
  /// Raw codes of one frame; 16-bit unsigned. Same bits for any thread count.
  [[nodiscard]] Grid<std::uint16_t> render(const FramePlan& frame, Threads threads) const;
  /// The header a camera would write.
  [[nodiscard]] Header header(const FramePlan& frame) const;
  [[nodiscard]] const Truth& truth() const noexcept;
  /// Sensor truth: relative flat response as the lights see it (without the colour filters),
  /// dark rate (e/s) with hot pixels.
  [[nodiscard]] PlaneView<const float> flat_response() const noexcept;
  [[nodiscard]] PlaneView<const float> dark_rate() const noexcept;
  /// Noise-free expectation of a light in electrons per pixel on the sensor, before the flat and
  /// without dark current; sky included, trails and cosmic rays not.
  [[nodiscard]] Grid<float> expected_light(const FramePlan& frame, Threads threads) const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

/// The truth as JSON text (schema in the source).
[[nodiscard]] std::string truth_json(const Simulator& simulator);

}  // namespace coldframe::sim
