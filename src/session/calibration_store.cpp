#include "calibration_store.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "camera_facts.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"
#include "master_file.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t lights_for_defects = 8;
constexpr double gain_disagreement = 0.10;
constexpr std::size_t lights_for_saturation = 8;

sensor::MasterKind master_kind(FrameKind kind) noexcept {
  if (kind == FrameKind::bias) return sensor::MasterKind::bias;
  return kind == FrameKind::flat ? sensor::MasterKind::flat : sensor::MasterKind::dark;
}

bool same_camera(const FrameInfo& a, const FrameInfo& b) {
  return a.camera == b.camera && a.read_out == b.read_out && a.gain_setting == b.gain_setting &&
         a.offset_setting == b.offset_setting && a.binning_x == b.binning_x && a.size == b.size;
}

}  // namespace

CalibrationStore::CalibrationStore(const Inventory& inventory, const Pairing& pairing,
                                   const RunOptions& options, SessionRecord& record,
                                   const Watch& watch)
    : inventory_(inventory),
      pairing_(pairing),
      options_(options),
      record_(record),
      watch_(watch),
      camera_of_frame_(inventory.frames.size(), 0),
      record_of_set_(pairing.sets.size()) {
  find_cameras();
}

void CalibrationStore::find_cameras() {
  std::vector<std::size_t> examples;
  for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
    const auto known = std::find_if(examples.begin(), examples.end(),
                                    [&](std::size_t e) { return same_camera(info(e), info(i)); });
    camera_of_frame_[i] = static_cast<int>(known - examples.begin());
    if (known != examples.end()) continue;
    examples.push_back(i);
    CameraRecord camera;
    camera.name = info(i).camera;
    camera.read_out = info(i).read_out;
    camera.gain_setting = info(i).gain_setting;
    camera.offset = info(i).offset_setting;
    camera.binning = info(i).binning_x;
    record_.cameras.push_back(std::move(camera));
  }
  for (std::size_t c = 0; c < record_.cameras.size(); ++c) {
    find_gain(c);
    find_saturation(c);
  }
}

void CalibrationStore::find_gain(std::size_t camera) {
  auto& facts = record_.cameras[camera];
  std::vector<bool> belongs(inventory_.frames.size());
  std::optional<double> header_gain;
  for (std::size_t i = 0; i < belongs.size(); ++i) {
    belongs[i] = camera_of_frame_[i] == static_cast<int>(camera);
    if (belongs[i] && !header_gain) header_gain = info(i).gain_e_per_adu;
    if (belongs[i] && !facts.read_noise_e) facts.read_noise_e = info(i).read_noise_e;
  }
  const auto measured = gain_from_frames(inventory_, pairing_, belongs);
  const bool usable = measured && measured->usable;
  if (usable && !facts.read_noise_e) facts.read_noise_e = measured->read_noise_e;
  if (options_.gain_e_per_adu) {
    facts.gain_e_per_adu = options_.gain_e_per_adu;
    facts.source = "option";
  } else if (header_gain) {
    facts.gain_e_per_adu = header_gain;
    facts.source = "header";
  } else if (usable) {
    facts.gain_e_per_adu = measured->gain_e_per_adu;
    facts.source = "photon-transfer";
  } else {
    record_.warnings.push_back(
        {"gain-unknown",
         fmt::format(
             "{}: no gain in the headers and no two flats and two bias frames to measure it: "
             "the result stays in ADU and photon noise of stars counts 1 e/ADU; give --gain, or "
             "take two flats and two bias frames",
             facts.name.empty() ? "the camera" : facts.name),
         {}});
  }
  if (!usable || !facts.gain_e_per_adu || facts.source == "photon-transfer") return;
  const double ratio = measured->gain_e_per_adu / *facts.gain_e_per_adu;
  if (std::fabs(ratio - 1.0) > gain_disagreement) {
    record_.warnings.push_back(
        {"gain-disagrees",
         fmt::format(
             "{}: the gain from the {} is {:.3g} e/ADU, the frames' own noise says {:.3g} +- "
             "{:.2g}; check it with more flats, give --gain to override",
             facts.name, facts.source, *facts.gain_e_per_adu, measured->gain_e_per_adu,
             measured->gain_error),
         {}});
  }
}

void CalibrationStore::find_saturation(std::size_t camera) {
  auto& facts = record_.cameras[camera];
  facts.saturation_adu = options_.saturation_adu;
  if (!facts.saturation_adu) {
    std::optional<double> header;
    bool header_varies = false;
    std::vector<std::filesystem::path> lights;
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (camera_of_frame_[i] != static_cast<int>(camera)) continue;
      if (info(i).kind == FrameKind::light) lights.push_back(inventory_.frames[i].path);
      if (!info(i).saturation_adu) continue;
      if (!header) header = info(i).saturation_adu;
      header_varies =
          header_varies || std::fabs(*header - *info(i).saturation_adu) > 1e-3 * *header;
    }
    std::vector<std::filesystem::path> some;
    const std::size_t wanted = std::min(lights.size(), lights_for_saturation);
    for (std::size_t k = 0; k < wanted; ++k) some.push_back(lights[k * lights.size() / wanted]);
    const auto found =
        saturation_from_lights(some, header_varies ? std::optional<double>() : header);
    facts.saturation_adu = found.level_adu;
    if (header_varies || found.header_absurd) {
      record_.warnings.push_back(
          {"saturation-header",
           fmt::format(
               "{}: the headers' saturation level ({}) cannot be right, {}: the lights' own "
               "codes give {:.0f} ADU; give --saturation to override",
               facts.name, *header,
               header_varies ? "it differs from frame to frame" : "much of the sky is above it",
               facts.saturation_adu.value_or(65535.0)),
           {}});
    } else if (header && some.empty()) {
      facts.saturation_adu = header;
    }
  }
  take_off_overscan(camera);
}

// Pixels are compared with the saturation level after their overscan is off.
void CalibrationStore::take_off_overscan(std::size_t camera) {
  auto& facts = record_.cameras[camera];
  for (std::size_t i = 0; i < inventory_.frames.size() && facts.saturation_adu; ++i) {
    if (camera_of_frame_[i] != static_cast<int>(camera) || !info(i).image_area) continue;
    try {
      // Levels differ by a little from row to row and from frame to frame.
      constexpr double margin = 4.0;
      const double level = overscan_level(inventory_.frames[i].path, info(i));
      if (level > 0.0) *facts.saturation_adu -= std::ceil(level + margin);
      return;
    } catch (const Error&) {
      continue;
    }
  }
}

std::string CalibrationStore::set_key(std::size_t set) const {
  const auto& frames = pairing_.sets[set];
  std::string text =
      fmt::format("{} {} {} ", version(), to_string(frames.kind),
                  record_.cameras[static_cast<std::size_t>(camera_of_frame_[frames.frames.front()])]
                      .saturation_adu.value_or(0.0));
  for (const auto frame : frames.frames) {
    text += inventory_.frames[frame].name + " " + fits::stat_key(inventory_.frames[frame].path) +
            sections_key(info(frame)) + "\n";
  }
  if (frames.subtract) text += set_key(*frames.subtract);
  return digest(text);
}

void CalibrationStore::build_masters() {
  std::set<std::size_t> needed;
  for (const auto& group : pairing_.groups) {
    for (const auto light : group.lights) {
      const auto& plan = pairing_.lights[light];
      for (const auto& set : {plan.dark, plan.bias, plan.flat}) {
        if (set) needed.insert(*set);
        if (set && pairing_.sets[*set].subtract) needed.insert(*pairing_.sets[*set].subtract);
      }
    }
  }
  if (!needed.empty()) fits::make_folder(options_.out / "masters");
  // Flats last: they need the others.
  std::vector<std::size_t> order(needed.begin(), needed.end());
  std::stable_partition(order.begin(), order.end(),
                        [&](std::size_t s) { return pairing_.sets[s].kind != FrameKind::flat; });
  std::size_t done = 0;
  for (const auto set : order) {
    watch_.check();
    build_set(set);
    watch_.report("masters", ++done, order.size());
  }
}

namespace {

struct OpenedFrames {
  std::vector<std::unique_ptr<PixelSource>> files;
  std::vector<const PixelSource*> sources;
  Header header;  ///< of the first
};

}  // namespace

void CalibrationStore::build_set(std::size_t s) {
  const auto& set = pairing_.sets[s];
  const auto& example = info(set.frames.front());
  const std::string relative = "masters/" + safe_file_name(set.label) + ".fits";
  const auto path = options_.out / relative;
  const auto key = set_key(s);
  auto master = read_master(path, key);
  if (!master && set.from_library) {
    const auto& source = inventory_.frames[set.frames.front()].path;
    master = read_master(source, "");
    write_master(path, *master, master_kind(set.kind), fits::ImageFile::open(source)->header(),
                 key);
  }
  if (!master) {
    OpenedFrames opened;
    for (const auto frame : set.frames) {
      try {
        auto file = fits::ImageFile::open(inventory_.frames[frame].path);
        if (opened.sources.empty()) opened.header = file->header();
        auto source = raw_frame_of(std::move(file), info(frame));
        opened.sources.push_back(source.get());
        opened.files.push_back(std::move(source));
      } catch (const Error& error) {
        record_.left_out.push_back({inventory_.frames[frame].name, error.fault(), error.mend()});
      }
    }
    std::unique_ptr<fits::ImageFile> subtract;
    std::unique_ptr<fits::ImageFile> uncertainty;
    if (set.subtract) {
      const auto subtracted =
          options_.out /
          ("masters/" + safe_file_name(pairing_.sets[*set.subtract].label) + ".fits");
      subtract = fits::ImageFile::open(subtracted);
      uncertainty = open_uncertainty(subtracted);
    }
    sensor::MasterOptions how;
    how.subtract_uncertainty = uncertainty.get();
    how.kind = master_kind(set.kind);
    how.cfa = example.cfa;
    const auto& camera =
        record_.cameras[static_cast<std::size_t>(camera_of_frame_[set.frames.front()])];
    how.saturation_adu = camera.saturation_adu.value_or(65535.0);
    how.memory_bytes = options_.memory_bytes / 4;
    master = sensor::build_master(opened.sources, subtract.get(), how, options_.threads, watch_);
    trim_header(opened.header, example);
    write_master(path, *master, how.kind, opened.header, key);
  }
  MasterRecord row;
  row.kind = to_string(set.kind);
  row.path = relative;
  row.frames = master->frames;
  row.exposure_s = example.exposure_s;
  row.temperature_c = example.sensor_temperature_c();
  row.filter = set.kind == FrameKind::flat ? example.filter : "";
  row.noise_adu = master->noise_adu;
  row.notes = master->notes;
  if (set.from_library) row.library = inventory_.frames[set.frames.front()].name;
  for (const auto& choice : pairing_.choices) {
    if (choice.set != s) continue;
    if (!row.age_days) row.age_days = choice.age_days;
    row.chosen_why.push_back(fmt::format("{} lights: {}", choice.lights, choice.why));
    if (row.not_chosen.empty()) row.not_chosen = choice.others;
  }
  record_of_set_[s] = static_cast<int>(record_.masters.size());
  for (const auto& note : master->notes) {
    record_.warnings.push_back({"master", set.label + ": " + note, {}});
  }
  record_.masters.push_back(std::move(row));
}

std::optional<sensor::Master> CalibrationStore::load(std::optional<std::size_t> set) const {
  if (!set) return std::nullopt;
  return read_master(
      options_.out / ("masters/" + safe_file_name(pairing_.sets[*set].label) + ".fits"),
      set_key(*set));
}

CalibrationStore::Key CalibrationStore::key_of(std::size_t light) const {
  const auto& plan = pairing_.lights[light];
  const auto pedestal = static_cast<float>(-info(light).pedestal_adu.value_or(0.0));
  return {camera_of_frame_[light], plan.dark, plan.bias, plan.dark_scale, plan.flat, pedestal};
}

std::string CalibrationStore::calibration_key(std::size_t light) const {
  const auto& plan = pairing_.lights[light];
  const auto& camera = record_.cameras[static_cast<std::size_t>(camera_of_frame_[light])];
  std::string text = fmt::format(
      "{} {} {} {} {}", camera.gain_e_per_adu.value_or(0.0), camera.saturation_adu.value_or(0.0),
      plan.dark_scale, info(light).pedestal_adu.value_or(0.0), to_string(info(light).cfa));
  text += sections_key(info(light));
  for (const auto& set : {plan.dark, plan.bias, plan.flat}) text += set ? set_key(*set) : "-";
  if (!plan.dark) {
    // Defects come from the lights themselves: the choice of lights matters.
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (info(i).kind == FrameKind::light && key_of(i) == key_of(light)) {
        text += inventory_.frames[i].name;
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
    if (set && record_of_set_[*set]) rows.push_back(*record_of_set_[*set]);
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
  const auto dark = load(plan.dark);
  const auto bias = load(plan.bias);
  const auto flat = load(plan.flat);
  pipeline::CalibrationInputs in;
  in.frame = info(light).size;
  in.dark = dark ? &*dark : nullptr;
  in.bias = bias ? &*bias : nullptr;
  in.flat = flat ? &*flat : nullptr;
  in.dark_scale = plan.dark_scale;
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
  calibration->subtract_id = id(plan.dark ? plan.dark : plan.bias);
  calibration->flat_id = id(plan.flat);
  if (!plan.dark) add_defects_from_lights(key_of(light), *calibration);
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
