// Dust in the flat against what the calibrated lights keep of it.
#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <span>

#include "check_parts.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sensor/dust_motion.hpp"
#include "measure_cache.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t previews_looked_at = 9;
constexpr float nothing = std::numeric_limits<float>::quiet_NaN();

// Level of the sky and noise of a pixel, mean over a mosaic's cell or of the plane previewed.
struct SkyUnits {
  double level = 0.0;
  double noise = 0.0;
};

SkyUnits sky_units(const pipeline::SubMeasurement& measured, bool mosaic) {
  const auto& sky = measured.sky;
  if (sky.size() != 3) return {sky.front().mesh.median_level(), sky.front().mesh.median_noise()};
  if (!mosaic) return {sky[1].mesh.median_level(), sky[1].mesh.median_noise()};
  SkyUnits units;
  for (const std::size_t k : {0U, 1U, 1U, 2U}) {
    const double noise = sky[k].mesh.median_noise();
    units.level += 0.25 * sky[k].mesh.median_level();
    units.noise += 0.25 * noise * noise;
  }
  units.noise = std::sqrt(units.noise);
  return units;
}

// Sky over its level, less 1, median of some subs on the sensor. Empty: no sub tells.
Grid<float> common_sky(const std::vector<const SubState*>& subs, bool mosaic, int& bin) {
  std::vector<Grid<float>> maps;
  for (const auto* sub : subs) {
    auto seen = read_measurement(sub->cache_file, sub->cache_key);
    if (!seen || seen->sky.empty() || seen->preview.empty()) continue;
    const auto units = sky_units(*seen, mosaic);
    if (!(units.level > 0.0)) continue;
    bin = seen->preview_bin;
    const auto scale = static_cast<float>(units.noise / bin / units.level);
    for (int y = 0; y < seen->preview.height(); ++y) {
      for (int x = 0; x < seen->preview.width(); ++x) {
        auto& value = seen->preview(x, y);
        value = seen->preview_mask(x, y) != 0 ? nothing : value * scale;
      }
    }
    if (maps.empty() || maps.front().size() == seen->preview.size()) {
      maps.push_back(std::move(seen->preview));
    }
  }
  if (maps.empty()) return {};
  Grid<float> common(maps.front().size());
  std::vector<float> values;
  for (int y = 0; y < common.height(); ++y) {
    for (int x = 0; x < common.width(); ++x) {
      values.clear();
      for (const auto& map : maps) {
        if (std::isfinite(map(x, y))) values.push_back(map(x, y));
      }
      common(x, y) = values.empty() ? nothing : median_in_place(std::span<float>(values));
    }
  }
  return common;
}

Grid<float> binned_flat(const pipeline::Calibration& how, int bin, Size size) {
  Grid<float> flat(size);
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      double sum = 0.0;
      int good = 0;
      for (int y = j * bin; y < std::min((j + 1) * bin, how.multiply.height()); ++y) {
        for (int x = i * bin; x < std::min((i + 1) * bin, how.multiply.width()); ++x) {
          const float factor = how.multiply(x, y);
          if (!(factor > 0.0F) || (!how.defects.empty() && how.defects(x, y) != 0)) continue;
          sum += static_cast<double>(how.constant_multiply / factor);
          ++good;
        }
      }
      flat(i, j) = 2 * good < bin * bin ? nothing : static_cast<float>(sum / good);
    }
  }
  return flat;
}

}  // namespace

void check_dust(const GroupState& group, const pipeline::Calibration& how, double over,
                SessionRecord& record) {
  if (how.multiply.empty()) return;
  int bin = 1;
  const auto sky =
      common_sky(spread(group, &how, previews_looked_at), how.cfa != CfaPattern::none, bin);
  if (sky.empty()) return;
  const auto flat = binned_flat(how, bin, sky.size());
  const auto dust = sensor::compare_dust(flat.cview(), sky.cview());
  constexpr double beyond = 0.4;  // as compare_dust asks where the flat fits
  if (!dust.significant() || dust.left - over < beyond) return;
  const std::string where =
      dust.by ? fmt::format(", most are now some {:.0f} px away",
                            std::max(std::hypot(dust.by->x, dust.by->y), 1.0) * bin)
              : std::string();
  warn(record, "dust-moved",
       fmt::format("{}: {} of the {} dust shadows of the flat (depth {:.1f}%) are not at their "
                   "places in the lights{}: the flat leaves bright marks there; take flats of the "
                   "same night, before anything is turned or cleaned",
                   name_of(group), dust.moved, dust.spots, 100.0 * dust.depth, where));
  record.warnings.back().evidence = {{"left_share_of_sky", dust.depth}};
}

}  // namespace coldframe::session
