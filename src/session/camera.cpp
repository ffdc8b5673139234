// Photon transfer of whole cameras: which frames, in which order, with what left out and why.
#include "coldframe/session/camera.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "camera_groups.hpp"
#include "camera_ladders.hpp"
#include "camera_notes.hpp"
#include "coldframe/core/error.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

constexpr double fit_share = 0.7;      // of saturation: EMVA 1288's range of the slope
constexpr double short_dark_s = 10.0;  // stands in for a bias
constexpr double least_usable_share = 0.1;

// Frames by the owner's word first, then by header; folders are walked.
Inventory gather(const CameraJob& job, const Watch& watch) {
  Inventory all;
  const auto take = [&](Inventory part, std::optional<FrameKind> kind) {
    for (auto& frame : part.frames) {
      if (kind) frame.info.kind = *kind;
      all.frames.push_back(std::move(frame));
    }
    all.left_out.insert(all.left_out.end(), part.left_out.begin(), part.left_out.end());
  };
  const std::pair<const std::vector<fs::path>*, FrameKind> named[] = {
      {&job.bias, FrameKind::bias}, {&job.dark, FrameKind::dark}, {&job.flat, FrameKind::flat}};
  for (const auto& [files, kind] : named) {
    if (!files->empty()) {
      take(take_stock_of_files(*files, job.supplied, job.threads, watch), kind);
    }
  }
  for (const auto& path : job.others) {
    take(take_stock(path, {}, job.supplied, job.threads, watch), std::nullopt);
  }
  return all;
}

// What cannot serve: lights (in silence), masters, calibrated frames, the same file twice.
void leave_out_unfit(Inventory& inventory) {
  std::map<fs::path, bool> seen;
  std::vector<FrameEntry> fit;
  for (auto& frame : inventory.frames) {
    const auto& info = frame.info;
    if (info.kind == FrameKind::light || info.kind == FrameKind::unknown) continue;
    std::error_code ignored;
    const auto real = fs::weakly_canonical(frame.path, ignored);
    std::string why;
    if (!seen.emplace(real, true).second) {
      why = "is named twice";
    } else if (info.is_master) {
      why = "is already a combination of frames: its noise is not the camera's";
    } else if (info.is_calibrated) {
      why = "is calibrated already: its noise is not the camera's";
    } else if (info.planes != 1) {
      why = "has three colour planes: interpolation has changed its noise";
    }
    if (why.empty()) {
      fit.push_back(std::move(frame));
    } else {
      inventory.left_out.push_back({frame.name, why, "give raw frames as the camera wrote them"});
    }
  }
  inventory.frames = std::move(fit);
}

class OneCamera {
 public:
  OneCamera(const Inventory& inventory, const CameraJob& job, const Watch& watch,
            std::vector<LeftOut>& left_out)
      : inventory_(inventory), job_(job), watch_(watch), left_out_(left_out) {}

  CameraMeasurement measure(const std::vector<std::size_t>& frames) {
    codes_ = read_codes(inventory_, frames, job_.threads, watch_);
    left_out_.insert(left_out_.end(), codes_.left_out.begin(), codes_.left_out.end());
    describe();
    groups_ = frame_groups(inventory_, codes_.readable);
    find_saturation();
    measure_darks();
    if (choose_dark_level()) measure_flats();
    fit();
    m_.dark_currents = sensor::dark_currents(dark_levels(inventory_, groups_, darks_),
                                             m_.fit.usable ? m_.fit.gain_e_per_adu : 0.0);
    m_.doubling = sensor::doubling_temperature(m_.dark_currents);
    find_hot_pixels(groups_, darks_, m_);
    m_.light_levels = light_levels(groups_, flats_);
    m_.linearity = sensor::linearity(m_.light_levels, m_.saturation_adu - m_.zero_adu);
    add_notes(m_);
    return std::move(m_);
  }

 private:
  [[nodiscard]] const FrameInfo& info(std::size_t frame) const {
    return inventory_.frames[frame].info;
  }

  void describe() {
    for (const auto i : codes_.readable) {
      const auto& f = info(i);
      if (m_.camera.empty()) m_.camera = f.camera;
      if (m_.read_out.empty()) m_.read_out = f.read_out;
      if (!m_.gain_setting) m_.gain_setting = f.gain_setting;
      if (!m_.offset_setting) m_.offset_setting = f.offset_setting;
      if (!m_.header_gain_e_per_adu) m_.header_gain_e_per_adu = f.gain_e_per_adu;
      m_.binning = f.binning_x;
      m_.size = f.size;
      if (f.cfa != CfaPattern::none) m_.cfa = f.cfa;
      auto& count = f.kind == FrameKind::bias   ? m_.bias_frames
                    : f.kind == FrameKind::flat ? m_.flat_frames
                                                : m_.dark_frames;
      ++count;
    }
  }

  void find_saturation() {
    m_.codes = sensor::find_code_levels(codes_.all, sensor::CodesOf::calibration_frames);
    std::optional<double> header;
    for (const auto i : codes_.readable) {
      if (!header) header = info(i).saturation_adu;
    }
    m_.at_zero_code = share_at_zero(codes_.dark);
    if (job_.saturation_adu) {
      m_.saturation_adu = *job_.saturation_adu;
      m_.saturation_source = "option";
    } else if (m_.codes.saturation) {
      m_.saturation_adu = m_.codes.saturation->level_adu;
      m_.saturation_source = "codes";
    } else if (header && *header > m_.codes.lowest) {
      m_.saturation_adu = *header;
      m_.saturation_source = "header";
    } else {
      m_.saturation_adu = sensor::converter_end(m_.codes);
      m_.saturation_source = "range";
    }
  }

  // Lone frames are named; they cannot tell noise from pattern.
  std::vector<PlannedPair> pairs_of(const FrameGroup& group) {
    std::vector<std::size_t> alone;
    auto pairs = plan_pairs(group, codes_.means, m_.zero_adu, alone);
    for (const auto frame : alone) {
      const bool flat = group.kind == FrameKind::flat;
      left_out_.push_back(
          {inventory_.frames[frame].name,
           flat ? "has no partner: a flat of the same filter and exposure with about the same light"
                : "has no partner of the same exposure and temperature",
           "take frames in pairs"});
    }
    return pairs;
  }

  void measure_darks() {
    darks_.resize(groups_.size());
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      if (groups_[g].kind == FrameKind::flat) continue;
      for (const auto& pair : pairs_of(groups_[g])) {
        sensor::PairOptions options;
        options.saturation_adu = m_.saturation_adu;
        options.code_step = m_.codes.step;
        darks_[g].push_back(measure_planned(inventory_, pair, {}, options, job_.threads, watch_));
      }
      if (sensor::dark_noise(darks_[g]).empty()) darks_[g].clear();
    }
  }

  // A bias, else the shortest dark: its noise is the read noise.
  bool choose_dark_level() {
    std::optional<std::size_t> best;
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      if (darks_[g].empty()) continue;
      const bool bias = groups_[g].kind == FrameKind::bias;
      const bool shortest = !best && groups_[g].exposure_s.value_or(0.0) <= short_dark_s;
      if (bias || shortest) best = g;
      if (bias) break;
    }
    // Any dark gives a level for flats of its own exposure.
    for (std::size_t g = 0; g < groups_.size() && !best; ++g) {
      if (!darks_[g].empty()) best = g;
    }
    if (!best) return false;
    read_noise_group_ = *best;
    noise_ = sensor::dark_noise(darks_[*best]);
    m_.dark_source = groups_[*best].kind == FrameKind::bias ? "bias" : "dark";
    m_.dark_source_s = m_.dark_source == "bias" ? 0.0 : groups_[*best].exposure_s.value_or(0.0);
    for (const auto& site : noise_) {
      m_.zero_adu += site.level_adu / static_cast<double>(noise_.size());
      m_.row_correlation += site.correlation_rows / static_cast<double>(noise_.size());
    }
    return true;
  }

  // The flats' own dark where there is one.
  [[nodiscard]] std::size_t dark_for(const FrameGroup& flat) const {
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      if (groups_[g].kind != FrameKind::dark || darks_[g].empty()) continue;
      const auto& a = groups_[g].exposure_s;
      const auto& b = flat.exposure_s;
      if (a && b && std::abs(*a - *b) <= 0.02 * std::max(*a, *b) + 1e-4) return g;
    }
    return read_noise_group_;
  }

  void measure_flats() {
    flats_.resize(groups_.size());
    for (std::size_t g = 0; g < groups_.size(); ++g) {
      if (groups_[g].kind != FrameKind::flat) continue;
      const auto& dark = darks_[dark_for(groups_[g])];
      const auto zero = zero_levels(dark);
      const auto noise = sensor::dark_noise(dark);
      sensor::PairOptions options;
      options.saturation_adu = m_.saturation_adu;
      options.code_step = m_.codes.step;
      options.zero = zero;
      for (const auto& plan : pairs_of(groups_[g])) {
        auto blocks = measure_planned(inventory_, plan, {}, options, job_.threads, watch_);
        add_flat(groups_[g], plan, blocks, noise);
        flats_[g].push_back(std::move(blocks));
      }
    }
  }

  void add_flat(const FrameGroup& group, const PlannedPair& plan, const sensor::PairBlocks& blocks,
                const std::vector<sensor::DarkNoise>& noise) {
    CameraPair pair{inventory_.frames[plan.a].name,
                    inventory_.frames[plan.b].name,
                    group.filter,
                    group.exposure_s,
                    0.0,
                    1.0,
                    0.0};
    double usable = 0.0;
    double signal_a = 0.0;
    double signal_b = 0.0;
    for (const auto& block : blocks.blocks) {
      if (!block.usable) continue;
      usable += 1.0;
      signal_a += block.level_a - block.zero;
      signal_b += block.level_b - block.zero;
    }
    pair.usable_share = usable / static_cast<double>(blocks.blocks.size());
    if (pair.usable_share < least_usable_share) {
      for (const auto& name : {pair.first, pair.second}) {
        left_out_.push_back({name,
                             fmt::format("is saturated over {:.0f}% of the field (at {:g} ADU)",
                                         100.0 * (1.0 - pair.usable_share), m_.saturation_adu),
                             "take flats at half of the range"});
      }
      return;
    }
    pair.signal_adu = 0.5 * (signal_a + signal_b) / usable;
    pair.light_ratio = signal_b > 0.0 ? signal_a / signal_b : 1.0;
    const auto index = static_cast<int>(m_.pairs.size());
    const auto points = sensor::transfer_points(blocks, noise, index);
    m_.points.insert(m_.points.end(), points.begin(), points.end());
    m_.pairs.push_back(std::move(pair));
  }

  void fit() {
    const double range = m_.saturation_adu - m_.zero_adu;
    const int sites = m_.cfa == CfaPattern::none ? 1 : 4;
    for (int site = 0; sites > 1 && site < sites; ++site) {
      m_.sites.push_back(sensor::fit_transfer(m_.points, fit_share * range, site));
      m_.site_noise.push_back(sensor::read_noise(noise_, m_.codes.step, m_.sites.back(), site));
    }
    m_.fit = sensor::fit_transfer(m_.points, fit_share * range);
    m_.read_noise = sensor::read_noise(noise_, m_.codes.step, m_.fit);
    m_.pattern = sensor::fixed_pattern(m_.points, noise_, 0.5 * range);
    name_dim_flats();
    find_full_well();
  }

  void name_dim_flats() {
    for (std::size_t p = 0; p < m_.pairs.size(); ++p) {
      bool dim = true;
      for (const auto& point : m_.points) {
        if (point.pair == static_cast<int>(p) && point.use != sensor::PointUse::too_dim)
          dim = false;
      }
      if (!dim) continue;
      for (const auto& name : {m_.pairs[p].first, m_.pairs[p].second}) {
        left_out_.push_back({name,
                             fmt::format("is too dim: {:.4g} ADU above the dark level show no "
                                         "photon noise",
                                         m_.pairs[p].signal_adu),
                             "expose flats to half of the range"});
      }
    }
  }

  void find_full_well() {
    if (!m_.fit.usable) return;
    if (m_.saturation_source == "range" || m_.saturation_source == "header") {
      // Noise that falls away while the level still rises: wells are full before the converter is.
      double bent = 1e300;
      for (const auto& point : m_.points) {
        if (point.use == sensor::PointUse::bent) bent = std::min(bent, point.signal_adu);
      }
      if (bent > 1e299) return;
      m_.saturation_adu = bent + m_.zero_adu;
      m_.saturation_source = "noise";
    }
    m_.full_well_e = (m_.saturation_adu - m_.zero_adu) * m_.fit.gain_e_per_adu;
  }

  const Inventory& inventory_;
  const CameraJob& job_;
  const Watch& watch_;
  std::vector<LeftOut>& left_out_;
  CameraMeasurement m_;
  FrameCodes codes_;
  std::vector<FrameGroup> groups_;
  std::vector<std::vector<sensor::PairBlocks>> darks_, flats_;  // by group
  std::vector<sensor::DarkNoise> noise_;
  std::size_t read_noise_group_ = 0;
};

}  // namespace

CameraOutcome measure_cameras(const CameraJob& job, const Watch& watch) {
  if (job.bias.empty() && job.dark.empty() && job.flat.empty() && job.others.empty()) {
    throw Error(ErrorKind::usage, "", "no frames given",
                "give --bias and --flat (two of each at least), or a folder that holds them");
  }
  auto inventory = gather(job, watch);
  leave_out_unfit(inventory);
  CameraOutcome outcome;
  outcome.left_out = std::move(inventory.left_out);
  for (const auto& set : camera_sets(inventory)) {
    OneCamera camera(inventory, job, watch, outcome.left_out);
    outcome.cameras.push_back(camera.measure(set));
  }
  return outcome;
}

}  // namespace coldframe::session
