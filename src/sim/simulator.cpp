#include <algorithm>
#include <cmath>
#include <utility>

#include "coldframe/core/error.hpp"
#include "coldframe/sim/render.hpp"
#include "sim/frame_header.hpp"
#include "sim/galaxy.hpp"
#include "sim/light.hpp"
#include "sim/psf.hpp"
#include "sim/readout.hpp"
#include "sim/sensor_maps.hpp"
#include "sim/star_field.hpp"

namespace coldframe::sim {
namespace {

Size frame_size(const Scene& scene) noexcept { return {scene.sensor.width, scene.sensor.height}; }

double session_phase(const Scene& scene, int index) noexcept {
  return scene.lights.size() > 1
             ? static_cast<double>(index) / static_cast<double>(scene.lights.size() - 1)
             : 0.5;
}

const char* spoiled_by(const SubScene& sub) noexcept {
  if (sub.smear_px > 0.5 * sub.seeing_fwhm_px) return "smeared";
  if (sub.jump_px > 1.0 && sub.jump_share > 0.1) return "jump";
  if (sub.transparency < 0.6) return "clouded";
  return "";
}

TrueSub describe_sub(const Scene& scene, const FramePlan& frame) {
  const SubScene& sub = scene.lights[static_cast<std::size_t>(frame.index)];
  const PointSpread psf(scene.optics, sub, frame_size(scene));
  const auto width = psf.recorded_width();
  TrueSub truth;
  truth.path = frame.path;
  truth.sky_to_sub = sky_to_sub(sub, frame_size(scene));
  truth.fwhm_px = width.fwhm_px;
  truth.fwhm_optical_px = sub.seeing_fwhm_px;
  truth.ellipticity = width.ellipticity;
  // The pixel that stands for the frame: the mosaic's green one, or any.
  int cell = 0;
  while (scene.sensor.cfa != CfaPattern::none && cfa_colour(scene.sensor.cfa, cell, 0) != 1) ++cell;
  const double white[3] = {scene.sky.sky_colour[0], scene.sky.sky_colour[1],
                           scene.sky.sky_colour[2]};
  truth.sky_e = sky_plane(scene, sub, session_phase(scene, frame.index)).centre_e *
                cell_weights(scene.sensor, sub.filter, white).value[cell];
  truth.transparency = sub.transparency;
  truth.exposure_s = sub.exposure_s;
  truth.flipped = sub.flipped;
  truth.noise_e = std::sqrt(truth.sky_e + scene.sensor.dark_e_per_s * sub.exposure_s +
                            scene.sensor.read_noise_e * scene.sensor.read_noise_e);
  truth.trails = make_trails(scene, sub, frame.index);
  truth.spoiled = spoiled_by(sub);
  return truth;
}

/// Photo-electrons lost or won by the sensor's response.
void apply_response(Grid<float>& electrons, const Grid<float>& response, Threads threads) {
  parallel_bands(threads, electrons.height(), 64, [&](int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
      const auto row = electrons.row(y);
      const auto factor = response.row(y);
      for (std::size_t x = 0; x < row.size(); ++x) row[x] *= factor[x];
    }
  });
}

}  // namespace

struct Simulator::State {
  Scene scene;
  std::vector<FramePlan> frames;
  SensorMaps maps;
  Galaxy galaxy;
  Truth truth;

  explicit State(Scene given)
      : scene(std::move(given)),
        frames(plan_frames(scene)),
        maps(make_sensor_maps(scene, Threads{})),
        galaxy(scene.sky, frame_size(scene)) {
    truth.stars = make_stars(scene);
    for (const FramePlan& frame : frames) {
      if (frame.kind == FrameKind::light) truth.subs.push_back(describe_sub(scene, frame));
    }
    truth.hot_pixels = maps.hot;
    truth.telegraph_pixels = maps.telegraph;
    truth.cold_pixels = maps.cold;
  }

  [[nodiscard]] const SubScene& sub(const FramePlan& frame) const {
    const auto index = static_cast<std::size_t>(frame.index);
    if (frame.kind != FrameKind::light || index >= scene.lights.size()) {
      throw Error(ErrorKind::usage, frame.path, "is not a light of this scene",
                  "take the frames from Simulator::frames");
    }
    return scene.lights[index];
  }

  /// Expected light of a flat before the response; the panel or twilight is uniform.
  [[nodiscard]] Grid<float> flat_light(const FramePlan& frame) const {
    const SensorScene& sensor = scene.sensor;
    const double range = (highest_code(sensor) - sensor.offset_adu) * sensor.gain_e_per_adu;
    const int within = scene.flats > 0 ? frame.index % scene.flats : 0;
    const double level = scene.flat_level_share * std::min(sensor.full_well_e, range) *
                         std::pow(1.0 - scene.flat_drift, within);
    constexpr double white[3] = {1.0, 1.0, 1.0};
    const auto weights = cell_weights(sensor, "", white);
    Grid<float> pixels(frame_size(scene));
    for (int y = 0; y < pixels.height(); ++y) {
      const auto row = pixels.row(y);
      for (int x = 0; x < pixels.width(); ++x) {
        row[static_cast<std::size_t>(x)] =
            static_cast<float>(level * weights.value[(x & 1) + 2 * (y & 1)]);
      }
    }
    return pixels;
  }
};

Simulator::Simulator(Scene scene) : state_(std::make_unique<State>(std::move(scene))) {}
Simulator::~Simulator() = default;

const Scene& Simulator::scene() const noexcept { return state_->scene; }
const std::vector<FramePlan>& Simulator::frames() const noexcept { return state_->frames; }
const Truth& Simulator::truth() const noexcept { return state_->truth; }
PlaneView<const float> Simulator::flat_response() const noexcept {
  return state_->maps.light_response.cview();
}
PlaneView<const float> Simulator::dark_rate() const noexcept {
  return state_->maps.dark_rate.cview();
}

Grid<float> Simulator::expected_light(const FramePlan& frame, Threads threads) const {
  return light_on_sensor(state_->scene, state_->sub(frame),
                         session_phase(state_->scene, frame.index), state_->truth.stars,
                         state_->galaxy, threads);
}

Grid<std::uint16_t> Simulator::render(const FramePlan& frame, Threads threads) const {
  const Scene& scene = state_->scene;
  Exposure exposure;
  exposure.frame =
      (static_cast<std::uint32_t>(frame.kind) << 24U) + static_cast<std::uint32_t>(frame.index);
  exposure.exposure_s = frame.exposure_s;
  exposure.cosmic_rays = scene.dark_cosmic_rays * frame.exposure_s / 100.0;
  Grid<float> electrons;
  if (frame.kind == FrameKind::light) {
    exposure.cosmic_rays = state_->sub(frame).cosmic_rays;
    electrons = expected_light(frame, threads);
    for (const TrueTrail& trail :
         state_->truth.subs[static_cast<std::size_t>(frame.index)].trails) {
      add_trail(electrons.view(), 0, electrons.height(), trail);
    }
    apply_response(electrons, state_->maps.response(frame.kind), threads);
  } else if (frame.kind == FrameKind::flat) {
    electrons = state_->flat_light(frame);
    apply_response(electrons, state_->maps.response(frame.kind), threads);
  } else {
    electrons = Grid<float>(frame_size(scene), 0.0F);
  }
  return read_out(scene, state_->maps, exposure, std::move(electrons), threads);
}

Header Simulator::header(const FramePlan& frame) const {
  const TrueSub* sub = nullptr;
  if (frame.kind == FrameKind::light) {
    (void)state_->sub(frame);
    sub = &state_->truth.subs[static_cast<std::size_t>(frame.index)];
  }
  return frame_header(state_->scene, frame, sub);
}

}  // namespace coldframe::sim
