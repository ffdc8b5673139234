#include "camera_records.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "camera_facts.hpp"
#include "coldframe/core/error.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr double gain_disagreement = 0.10;
constexpr std::size_t lights_for_saturation = 8;

bool same_camera(const FrameInfo& a, const FrameInfo& b) {
  return a.camera == b.camera && a.read_out == b.read_out && a.gain_setting == b.gain_setting &&
         a.offset_setting == b.offset_setting && a.binning_x == b.binning_x && a.size == b.size;
}

class CameraFinder {
 public:
  CameraFinder(const Inventory& inventory, const Pairing& pairing, const RunOptions& options,
               SessionRecord& record)
      : inventory_(inventory),
        pairing_(pairing),
        options_(options),
        record_(record),
        camera_of_frame_(inventory.frames.size(), 0) {}

  std::vector<int> run() {
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      const auto known = std::find_if(examples_.begin(), examples_.end(), [&](std::size_t e) {
        return folder(e) == folder(i) && same_camera(info(e), info(i));
      });
      camera_of_frame_[i] = static_cast<int>(known - examples_.begin());
      if (known != examples_.end()) continue;
      examples_.push_back(i);
      CameraRecord camera;
      camera.name = info(i).camera;
      camera.read_out = info(i).read_out;
      camera.gain_setting = info(i).gain_setting;
      camera.offset = info(i).offset_setting;
      camera.binning = info(i).binning_x;
      record_.cameras.push_back(std::move(camera));
    }
    for (std::size_t c = 0; c < record_.cameras.size(); ++c) find_gain(c);
    for (std::size_t c = 0; c < record_.cameras.size(); ++c) {
      if (!record_.cameras[c].gain_e_per_adu) borrow_gain(c);
      find_saturation(c);
      take_off_overscan(c);
    }
    return std::move(camera_of_frame_);
  }

 private:
  void find_gain(std::size_t camera) {
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
    }
    if (usable && facts.gain_e_per_adu && facts.source != "photon-transfer") {
      compare_gain(facts, *measured);
    }
  }

  // One night's frames may tell what another's do not: the same camera used in the same way.
  void borrow_gain(std::size_t camera) {
    auto& facts = record_.cameras[camera];
    for (std::size_t c = 0; c < record_.cameras.size(); ++c) {
      const auto& other = record_.cameras[c];
      if (!other.gain_e_per_adu || !same_camera(info(examples_[c]), info(examples_[camera]))) {
        continue;
      }
      facts.gain_e_per_adu = other.gain_e_per_adu;
      facts.source = other.source;
      if (!facts.read_noise_e) facts.read_noise_e = other.read_noise_e;
      return;
    }
    warn_of_unknown_gain(facts);
  }

  /// Name, with the settings where one camera was used in several ways.
  [[nodiscard]] std::string label_of(const CameraRecord& facts) const {
    std::string label = facts.name.empty() ? "the camera" : facts.name;
    const auto alike = std::count_if(record_.cameras.begin(), record_.cameras.end(),
                                     [&](const CameraRecord& c) { return c.name == facts.name; });
    if (alike < 2) return label;
    if (!facts.read_out.empty()) label += ", " + facts.read_out;
    if (facts.gain_setting) label += fmt::format(", gain setting {:g}", *facts.gain_setting);
    if (facts.offset) label += fmt::format(", offset {:g}", *facts.offset);
    return label + fmt::format(", binning {}", facts.binning);
  }

  void warn_of_unknown_gain(const CameraRecord& facts) {
    record_.warnings.push_back(
        {"gain-unknown",
         fmt::format(
             "{}: no gain in the headers and no two flats and two bias frames to measure it: "
             "the result stays in ADU and photon noise of stars counts 1 e/ADU; give --gain, or "
             "take two flats and two bias frames",
             label_of(facts)),
         {}});
  }

  void compare_gain(const CameraRecord& facts, const GainFinding& measured) {
    const double ratio = measured.gain_e_per_adu / *facts.gain_e_per_adu;
    if (std::fabs(ratio - 1.0) <= gain_disagreement) return;
    record_.warnings.push_back(
        {"gain-disagrees",
         fmt::format(
             "{}: the gain from the {} is {:.3g} e/ADU, the frames' own noise says {:.3g} +- "
             "{:.2g}; check it with more flats, give --gain to override",
             label_of(facts), facts.source, *facts.gain_e_per_adu, measured.gain_e_per_adu,
             measured.gain_error),
         {}});
  }

  /// What the headers of a camera's frames say of its saturation.
  struct HeaderSaturation {
    std::optional<double> level;
    bool varies = false;
    std::optional<double> data_max;  ///< DATAMAX, where all lights have the same
  };

  HeaderSaturation header_saturation(std::size_t camera) const {
    HeaderSaturation said;
    bool data_max_varies = false;
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (camera_of_frame_[i] != static_cast<int>(camera)) continue;
      if (info(i).kind == FrameKind::light) {
        const auto& most = info(i).data_max_adu;
        data_max_varies = data_max_varies || !most || (said.data_max && *said.data_max != *most);
        said.data_max = most;
      }
      if (!info(i).saturation_adu) continue;
      if (!said.level) said.level = info(i).saturation_adu;
      said.varies =
          said.varies || std::fabs(*said.level - *info(i).saturation_adu) > 1e-3 * *said.level;
    }
    if (data_max_varies) said.data_max.reset();
    return said;
  }

  void find_saturation(std::size_t camera) {
    auto& facts = record_.cameras[camera];
    facts.saturation_adu = options_.saturation_adu;
    if (facts.saturation_adu) return;
    const auto said = header_saturation(camera);
    std::vector<std::filesystem::path> lights;
    for (std::size_t i = 0; i < inventory_.frames.size(); ++i) {
      if (camera_of_frame_[i] == static_cast<int>(camera) && info(i).kind == FrameKind::light) {
        lights.push_back(inventory_.frames[i].path);
      }
    }
    std::vector<std::filesystem::path> some;
    const std::size_t wanted = std::min(lights.size(), lights_for_saturation);
    for (std::size_t k = 0; k < wanted; ++k) some.push_back(lights[k * lights.size() / wanted]);
    const auto found = saturation_from_lights(
        some, said.varies ? std::optional<double>() : said.level, said.data_max);
    facts.saturation_adu = found.level_adu;
    if (said.varies || found.header_absurd) {
      record_.warnings.push_back(
          {"saturation-header",
           fmt::format(
               "{}: the headers' saturation level ({}) cannot be right, {}: the lights' own "
               "codes give {:.0f} ADU; give --saturation to override",
               label_of(facts), *said.level,
               said.varies ? "it differs from frame to frame" : "much of the sky is above it",
               facts.saturation_adu.value_or(65535.0)),
           {}});
    } else if (said.level && some.empty()) {
      facts.saturation_adu = said.level;
    }
  }

  // Pixels are compared with the saturation level after their overscan is off.
  void take_off_overscan(std::size_t camera) {
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

  [[nodiscard]] const FrameInfo& info(std::size_t frame) const {
    return inventory_.frames[frame].info;
  }

  [[nodiscard]] std::size_t folder(std::size_t frame) const {
    return inventory_.frames[frame].folder;
  }

  const Inventory& inventory_;
  const Pairing& pairing_;
  const RunOptions& options_;
  SessionRecord& record_;
  std::vector<int> camera_of_frame_;
  std::vector<std::size_t> examples_;  ///< a frame of each camera
};

}  // namespace

std::vector<int> find_cameras(const Inventory& inventory, const Pairing& pairing,
                              const RunOptions& options, SessionRecord& record) {
  return CameraFinder(inventory, pairing, options, record).run();
}

}  // namespace coldframe::session
