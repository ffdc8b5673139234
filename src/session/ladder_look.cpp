#include "ladder_look.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <optional>

#include "camera_facts.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sensor/calibration_checks.hpp"
#include "coldframe/sensor/dark_scaling.hpp"
#include "few_frames.hpp"
#include "set_choice.hpp"

namespace coldframe::session {
namespace {

constexpr int band_rows = 256;          // a multiple of every cell
constexpr double most_compared = 10.0;  // factor between two darks of which one tests the other
constexpr double hot_kappa = 10.0;
constexpr double usable_well = 0.7;  // of saturation: hot pixels above it do not scale
constexpr double least_noise = 0.1;  // of a raw frame's noise that left-over glow is told of
constexpr double least_glow_adu = 0.5;

/// Some hundred cells over a frame, a few thousand over a large one.
int cell_side(Size frame) {
  const int longer = std::max(frame.width, frame.height);
  return longer < 2000 ? 32 : (longer < 5000 ? 64 : 128);
}

/// Takes what is saturated out of both, and the bias off.
void subtract_bias(Grid<float>& plane, const Grid<float>& bias, float limit) {
  for (int y = 0; y < plane.height(); ++y) {
    const auto row = plane.row(y);
    const auto zero = bias.row(y);
    for (std::size_t x = 0; x < row.size(); ++x) row[x] = row[x] < limit ? row[x] - zero[x] : 0.0F;
  }
}

class LadderLook {
 public:
  LadderLook(const Inventory& inventory, const Pairing& pairing, const Ladder& ladder,
             const MatchTolerances& tolerances, Threads threads, const Watch& watch)
      : inventory_(inventory),
        pairing_(pairing),
        ladder_(ladder),
        tolerances_(tolerances),
        threads_(threads),
        watch_(watch),
        bias_(inventory, pairing.sets[ladder.bias].frames),
        cell_px_(cell_side(inventory.frames[ladder.lights.front()].info.size)) {}

  void run(DarkKnowledge& knowledge) {
    if (bias_.empty()) return;
    find_reference();
    read();
    if (const auto doubling = find_doubling()) {
      for (const auto set : ladder_.darks) knowledge.doubling[set] = doubling;
    }
    const SetChoice choice(inventory_, pairing_.sets, tolerances_, knowledge);
    for (std::size_t k = 0; k < darks_.size(); ++k) {
      const auto set = ladder_.darks[k];
      const auto residue = look_for_glow(k, choice);
      if (!residue.shows) continue;
      knowledge.refused[set] = fmt::format(
          "{} holds amplifier glow or another smooth signal of {:.2g} ADU that does not grow like "
          "dark current ({:+.2g} ADU would stay in)",
          pairing_.sets[set].label, residue.pattern_adu, residue.left_adu);
    }
  }

 private:
  [[nodiscard]] const FrameInfo& info(std::size_t set) const {
    return inventory_.frames[pairing_.sets[set].frames.front()].info;
  }

  // Dark current stands out most where it is warmest, and longest.
  void find_reference() {
    const auto rank = [&](std::size_t set) {
      const auto& dark = info(set);
      return std::pair(dark.sensor_temperature_c().value_or(0.0), *dark.exposure_s);
    };
    for (std::size_t k = 0; k < ladder_.darks.size(); ++k) {
      if (rank(ladder_.darks[k]) > rank(ladder_.darks[reference_])) reference_ = k;
      darks_.emplace_back(inventory_, pairing_.sets[ladder_.darks[k]].frames);
    }
  }

  [[nodiscard]] double rate_scale(std::size_t k) const {
    const double zero = info(ladder_.bias).exposure_s.value_or(0.0);
    return (*info(ladder_.darks[reference_]).exposure_s - zero) /
           (*info(ladder_.darks[k]).exposure_s - zero);
  }

  [[nodiscard]] double saturation() const {
    std::vector<std::filesystem::path> some;
    for (std::size_t k = 0; k < std::min<std::size_t>(ladder_.lights.size(), 2); ++k) {
      some.push_back(inventory_.frames[ladder_.lights[k]].path);
    }
    const auto& header = inventory_.frames[ladder_.lights.front()].info.saturation_adu;
    return saturation_from_lights(some, header).level_adu.value_or(65535.0);
  }

  void read() {
    const Size size = info(ladder_.bias).size;
    const bool mosaic = info(ladder_.bias).cfa != CfaPattern::none;
    const auto limit = static_cast<float>(usable_well * saturation());
    hot_.resize(darks_.size());
    cells_.assign(darks_.size(), sensor::empty_cells(size, cell_px_));
    for (int y0 = 0; y0 < size.height; y0 += band_rows) {
      watch_.check();
      const Rect rect{0, y0, size.width, std::min(y0 + band_rows, size.height)};
      const auto bias = bias_.median(rect, threads_);
      auto reference = darks_[reference_].median(rect, threads_);
      subtract_bias(reference, bias, limit);
      for (std::size_t k = 0; k < darks_.size(); ++k) {
        auto plane = k == reference_ ? Grid<float>() : darks_[k].median(rect, threads_);
        if (k != reference_) subtract_bias(plane, bias, limit);
        const auto& rate = k == reference_ ? reference : plane;
        sensor::fill_cells(rate.cview(), y0, cell_px_, mosaic, cells_[k]);
        if (k != reference_) collect_hot(reference, plane, k);
      }
    }
  }

  void collect_hot(const Grid<float>& reference, Grid<float>& plane, std::size_t k) {
    if (plane.height() < 8) return;
    std::vector<double> some;
    for (int y = 0; y < reference.height(); y += 7) {
      for (int x = y % 5; x < reference.width(); x += 5) {
        some.push_back(static_cast<double>(reference(x, y)));
      }
    }
    const double least = hot_kappa * std::max(robust_sigma(some), 0.5);
    const auto scale = static_cast<float>(rate_scale(k));
    for (int y = 0; y < plane.height(); ++y) {
      for (float& v : plane.row(y)) v *= scale;
    }
    sensor::collect_hot_pixels(plane.cview(), reference.cview(), info(ladder_.bias).cfa, least, 1e9,
                               hot_[k]);
  }

  [[nodiscard]] std::optional<sensor::Doubling> find_doubling() const {
    std::vector<sensor::RelativeRate> rates;
    for (std::size_t k = 0; k < darks_.size(); ++k) {
      const auto temperature = info(ladder_.darks[k]).sensor_temperature_c();
      if (!temperature) continue;
      if (k == reference_) {
        rates.push_back({*temperature, 1.0, 0.0});
        continue;
      }
      const auto fit = sensor::hot_pixel_residue(hot_[k]);
      if (fit.points == 0 || !(1.0 + fit.slope > 5.0 * fit.error)) continue;
      rates.push_back({*temperature, 1.0 + fit.slope, fit.error});
    }
    return sensor::doubling_of_ratios(rates);
  }

  [[nodiscard]] static sensor::CellMap times(sensor::CellMap cells, double factor) {
    for (double& v : cells.values) v *= factor;
    return cells;
  }

  // Another dark tells it best; without one the lights themselves must.
  [[nodiscard]] sensor::SmoothResidue look_for_glow(std::size_t k, const SetChoice& choice) const {
    const double least = std::max(least_noise * bias_.noise(), least_glow_adu);
    const double zero = info(ladder_.bias).exposure_s.value_or(0.0);
    sensor::SmoothResidue worst;
    bool compared = false;
    for (std::size_t other = 0; other < darks_.size(); ++other) {
      if (other == k) continue;
      const auto scaled =
          choice.scaling(ladder_.darks[k], info(ladder_.darks[other]), zero, most_compared);
      if (!scaled) continue;
      compared = true;
      const auto residue =
          sensor::smooth_residue(times(cells_[k], scaled->factor()), cells_[other], false, least);
      if (residue.shows && std::fabs(residue.left_adu) > std::fabs(worst.left_adu)) worst = residue;
    }
    return compared ? worst : look_in_lights(k, choice, zero);
  }

  [[nodiscard]] sensor::SmoothResidue look_in_lights(std::size_t k, const SetChoice& choice,
                                                     double zero) const {
    const auto first = ladder_.lights.front();
    const auto& light = inventory_.frames[first].info;
    const auto& flat_set = pairing_.lights[first].flat;
    const auto scaled = choice.scaling(ladder_.darks[k], light, zero);
    if (!scaled || !flat_set) return {};
    std::vector<std::size_t> alike;
    for (const auto i : ladder_.lights) {
      const auto& other = inventory_.frames[i].info;
      if (other.filter == light.filter && other.exposure_s == light.exposure_s) alike.push_back(i);
    }
    const FewFrames lights(inventory_, alike);
    const FewFrames flats(inventory_, pairing_.sets[*flat_set].frames);
    if (lights.empty() || flats.empty()) return {};
    auto measured = cells_of(lights, light);
    auto shape = cells_of(flats, light);
    auto pattern = times(cells_[k], scaled->factor());
    const double level = median(std::vector<double>(shape.values));
    if (!(level > 0.0)) return {};
    for (std::size_t c = 0; c < shape.values.size(); ++c) {
      const double flat = shape.values[c] / level;
      measured.values[c] = flat > 0.1 ? measured.values[c] / flat : std::nan("");
      pattern.values[c] /= std::max(flat, 0.1);
    }
    return sensor::smooth_residue(pattern, measured, true,
                                  std::max(least_noise * lights.noise(), least_glow_adu));
  }

  [[nodiscard]] sensor::CellMap cells_of(const FewFrames& frames, const FrameInfo& like) const {
    auto cells = sensor::empty_cells(like.size, cell_px_);
    for (int y0 = 0; y0 < like.size.height; y0 += band_rows) {
      watch_.check();
      const Rect rect{0, y0, like.size.width, std::min(y0 + band_rows, like.size.height)};
      auto plane = frames.median(rect, threads_);
      subtract_bias(plane, bias_.median(rect, threads_), 1e9F);
      sensor::fill_cells(plane.cview(), y0, cell_px_, like.cfa != CfaPattern::none, cells);
    }
    return cells;
  }

  const Inventory& inventory_;
  const Pairing& pairing_;
  const Ladder& ladder_;
  const MatchTolerances& tolerances_;
  Threads threads_;
  const Watch& watch_;
  FewFrames bias_;
  int cell_px_;
  std::vector<FewFrames> darks_;
  std::size_t reference_ = 0;
  std::vector<sensor::HotPixelPairs> hot_;
  std::vector<sensor::CellMap> cells_;
};

}  // namespace

void look_at_ladder(const Inventory& inventory, const Pairing& pairing, const Ladder& ladder,
                    const MatchTolerances& tolerances, Threads threads, const Watch& watch,
                    DarkKnowledge& knowledge) {
  LadderLook(inventory, pairing, ladder, tolerances, threads, watch).run(knowledge);
}

}  // namespace coldframe::session
