#include "calibration_store.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <set>

#include "camera_records.hpp"
#include "coldframe/core/error.hpp"
#include "digest.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t lights_for_defects = 8;

}  // namespace

CalibrationStore::CalibrationStore(const Inventory& inventory, const Pairing& pairing,
                                   const RunOptions& options, SessionRecord& record,
                                   const Watch& watch)
    : inventory_(inventory),
      pairing_(pairing),
      options_(options),
      record_(record),
      watch_(watch),
      camera_of_frame_(find_cameras(inventory, pairing, options, record)),
      shelf_(inventory, pairing, options, camera_of_frame_, record, watch) {}

void CalibrationStore::build_masters() { shelf_.build_all(); }

CalibrationStore::Key CalibrationStore::key_of(std::size_t light) const {
  const auto& plan = pairing_.lights[light];
  const auto pedestal = static_cast<float>(-info(light).pedestal_adu.value_or(0.0));
  return {camera_of_frame_[light], plan.dark, plan.bias, plan.dark_scale, plan.flat, pedestal};
}

std::string CalibrationStore::calibration_key(std::size_t light) const {
  const auto& plan = pairing_.lights[light];
  const auto& camera = record_.cameras[static_cast<std::size_t>(camera_of_frame_[light])];
  std::string text =
      fmt::format("{} {} {} {} {} {}", camera.gain_e_per_adu.value_or(0.0),
                  camera.saturation_adu.value_or(0.0), plan.dark_scale, plan.dark_scale_error,
                  info(light).pedestal_adu.value_or(0.0), to_string(info(light).cfa));
  text += sections_key(info(light));
  for (const auto& set : {plan.dark, plan.bias, plan.flat}) text += set ? shelf_.key(*set) : "-";
  if (!plan.dark) {
    // Defects come from the lights themselves: the choice of lights matters.
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (info(i).kind == FrameKind::light && key_of(i) == key_of(light)) {
        text += inventory_.frames[i].local_name;
      }
    }
  }
  return digest(text);
}

int CalibrationStore::camera(std::size_t frame) const { return camera_of_frame_[frame]; }

std::vector<int> CalibrationStore::masters_of(std::size_t light) const {
  std::vector<int> rows;
  const auto& plan = pairing_.lights[light];
  for (const auto& set : {plan.dark, plan.bias, plan.flat}) {
    if (!set) continue;
    if (const auto row = shelf_.record_row(*set)) rows.push_back(*row);
  }
  return rows;
}

std::size_t CalibrationStore::sets_among(const std::vector<std::size_t>& lights) const {
  std::set<Key> keys;
  for (const auto light : lights) keys.insert(key_of(light));
  return std::max<std::size_t>(keys.size(), 1);
}

void CalibrationStore::release() {
  std::erase_if(calibrations_, [](const auto& entry) { return entry.second.use_count() == 1; });
}

std::shared_ptr<const pipeline::Calibration> CalibrationStore::calibration(std::size_t light) {
  auto& known = calibrations_[key_of(light)];
  if (!known) known = prepare(light);
  return known;
}

std::shared_ptr<pipeline::Calibration> CalibrationStore::prepare(std::size_t light) {
  const auto& plan = pairing_.lights[light];
  const auto& camera = record_.cameras[static_cast<std::size_t>(camera_of_frame_[light])];
  auto dark = shelf_.load(plan.dark);
  const auto bias = shelf_.load(plan.bias);
  if (plan.bias && !bias) dark.reset();  // its rate cannot be scaled without
  const auto flat = shelf_.load(plan.flat);
  pipeline::CalibrationInputs in;
  in.frame = info(light).size;
  in.dark = dark ? &*dark : nullptr;
  in.bias = bias ? &*bias : nullptr;
  in.flat = flat ? &*flat : nullptr;
  in.dark_scale = plan.dark_scale;
  in.dark_scale_error = plan.dark_scale_error;
  // value = stored + PEDESTAL
  if (!dark && !bias) in.constant_subtract = -info(light).pedestal_adu.value_or(0.0);
  in.gain_e_per_adu = camera.gain_e_per_adu.value_or(0.0);
  in.saturation_adu = camera.saturation_adu.value_or(65535.0);
  in.frame_noise_adu = dark ? dark->frame_noise_adu : (bias ? bias->frame_noise_adu : 0.0);
  in.cfa = info(light).cfa;
  auto calibration =
      std::make_shared<pipeline::Calibration>(pipeline::prepare_calibration(in, options_.threads));
  // Lights that share a master share its errors.
  const auto id = [](std::optional<std::size_t> set) { return set ? static_cast<int>(*set) : -1; };
  if (dark || bias) calibration->subtract_id = id(dark ? plan.dark : plan.bias);
  if (flat) calibration->flat_id = id(plan.flat);
  if (!dark) add_defects_from_lights(key_of(light), *calibration);
  return calibration;
}

void CalibrationStore::add_defects_from_lights(const Key& key, pipeline::Calibration& calibration) {
  std::vector<std::size_t> lights;
  for (const auto& group : pairing_.groups) {
    for (const auto light : group.lights) {
      if (key_of(light) == key) lights.push_back(light);
    }
  }
  std::vector<std::unique_ptr<PixelSource>> files;
  std::vector<const PixelSource*> sources;
  const std::size_t wanted = std::min(lights.size(), lights_for_defects);
  for (std::size_t k = 0; k < wanted; ++k) {
    try {
      const auto& entry = inventory_.frames[lights[k * lights.size() / wanted]];
      files.push_back(open_raw_frame(entry.path, entry.info));
      sources.push_back(files.back().get());
    } catch (const Error&) {
      continue;  // the measuring pass names it
    }
  }
  try {
    static_cast<void>(
        pipeline::find_defects_from_lights(sources, calibration, options_.threads, watch_));
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    record_.warnings.push_back(
        {"defects",
         std::string("defects could not be found from the lights: ") + error.what(),
         {}});
  }
}

}  // namespace coldframe::session
