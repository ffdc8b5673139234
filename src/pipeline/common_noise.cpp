#include "common_noise.hpp"

#include <algorithm>
#include <cmath>

#include "combine_tile_loader.hpp"

namespace coldframe::pipeline {
namespace {

double block_sd(const Grid<float>& variances, Point at) noexcept {
  if (variances.empty()) return 0.0;
  const int i = std::clamp(static_cast<int>(at.x) / stack::block_px, 0, variances.width() - 1);
  const int j = std::clamp(static_cast<int>(at.y) / stack::block_px, 0, variances.height() - 1);
  return std::sqrt(std::max(static_cast<double>(variances(i, j)), 0.0));
}

// Sensor samples of one colour are further apart than pixels: on average sqrt(2) for the green
// half, 2 for the quarters of red and blue.
double sample_step(CfaPattern cfa, int plane) noexcept {
  if (cfa == CfaPattern::none) return 1.0;
  return plane == 1 ? 1.4142135623730951 : 2.0;
}

void note_shared(std::vector<int> ids, std::vector<int>& shared) {
  std::sort(ids.begin(), ids.end());
  for (std::size_t k = 1; k < ids.size(); ++k) {
    if (ids[k] >= 0 && ids[k] == ids[k - 1] && (shared.empty() || shared.back() != ids[k])) {
      shared.push_back(ids[k]);
    }
  }
}

}  // namespace

CommonNoise::CommonNoise(std::span<const CombineSub> subs, const CombineSettings& settings)
    : subs_(subs), settings_(settings) {
  std::vector<int> subtract, flat;
  for (const auto& sub : subs) {
    const auto& c = *sub.calibration;
    subtract.push_back(c.subtract_variance.empty() ? -1 : c.subtract_id);
    flat.push_back(c.flat_variance.empty() ? -1 : c.flat_id);
  }
  note_shared(std::move(subtract), subtract_ids_);
  note_shared(std::move(flat), flat_ids_);
  present_ = !subtract_ids_.empty() || !flat_ids_.empty();
}

void CommonNoise::gather(Point centre, int plane, std::span<const double> gains,
                         CommonScratch& scratch) const {
  scratch.subs.clear();
  const auto p = static_cast<std::size_t>(plane);
  for (std::size_t i = 0; i < subs_.size(); ++i) {
    const auto& sub = subs_[i];
    const auto& c = *sub.calibration;
    SubAtPlace s;
    s.sub = i;
    s.sensor = settings_.identity ? centre : sub.transform.unapply(centre);
    const auto& sky = (*sub.sky)[p];
    s.weight = sub.weights[p];
    if (!lies_in_frame(sky, s.sensor) || !(s.weight > 0.0)) continue;
    const double area = settings_.identity ? 1.0 : sub.transform.source_area(s.sensor);
    const double factor = sub.scale * area;
    s.step = std::sqrt(area);
    const double per_adu =
        static_cast<double>(c.constant_multiply) * c.inverse_flat_at(s.sensor.x, s.sensor.y);
    s.subtract = factor * per_adu * block_sd(c.subtract_variance, s.sensor);
    s.flat = block_sd(c.flat_variance, s.sensor);
    s.added = sub.surfaces.empty() ? 0.0 : sub.surfaces[p].at(centre.x, centre.y);
    s.sky = factor * sky.level_at(s.sensor.x, s.sensor.y) + s.added;
    s.response = gains.empty() ? -1.0 : gains[i];
    scratch.subs.push_back(s);
  }
}

CommonVariance CommonNoise::at(Point centre, int plane, int aperture, std::span<const double> gains,
                               CommonScratch& scratch) const {
  CommonVariance sum;
  if (!present_) return sum;
  gather(centre, plane, gains, scratch);
  double total_weight = 0.0;
  for (const auto& s : scratch.subs) total_weight += s.weight;
  if (!(total_weight > 0.0)) return sum;
  const auto kernel = settings_.resample.kernel;
  const auto visit = [&](auto&& wanted, auto&& deposit) {
    for (const auto& s : scratch.subs) {
      const auto& c = *subs_[s.sub].calibration;
      if (!wanted(c)) continue;
      const double step = sample_step(c.cfa, plane);
      const double pixel = s.step / step;
      const double before = 0.5 * (aperture - 1) * pixel;
      const AxisFootprint x(kernel, {s.sensor.x / step - before, pixel, aperture});
      const AxisFootprint y(kernel, {s.sensor.y / step - before, pixel, aperture});
      const double own = x.response() * y.response();
      const double response = s.response < 0.0 ? own : s.response;
      // Normalised so that a sub alone has the response it has in truth.
      const double share = s.weight * std::sqrt(response / own) / aperture;
      deposit(s, x, y, share, response);
    }
  };
  for (const int id : subtract_ids_) {
    scratch.subtract.clear();
    visit([&](const Calibration& c) { return c.subtract_id == id; },
          [&](const SubAtPlace& s, const AxisFootprint& x, const AxisFootprint& y, double share,
              double response) {
            scratch.subtract.add(x, y, share * s.subtract);
            sum.constant -= s.weight * s.weight * s.subtract * s.subtract * response;
          });
    sum.constant += scratch.subtract.squares();
  }
  for (const int id : flat_ids_) {
    scratch.flat.clear();
    scratch.flat_added.clear();
    visit([&](const Calibration& c) { return c.flat_id == id; },
          [&](const SubAtPlace& s, const AxisFootprint& x, const AxisFootprint& y, double share,
              double response) {
            scratch.flat.add(x, y, share * s.flat);
            scratch.flat_added.add(x, y, share * s.flat * s.added);
            // At its own sky the measured noise of the sub holds this part already.
            const double known = s.weight * s.flat * (s.sky - s.added);
            sum.constant -= known * known * response;
          });
    sum.quadratic += scratch.flat.squares();
    sum.linear -= 2.0 * scratch.flat.product(scratch.flat_added);
    sum.constant += scratch.flat_added.squares();
  }
  const double norm = 1.0 / (total_weight * total_weight);
  return {sum.constant * norm, sum.linear * norm, sum.quadratic * norm};
}

}  // namespace coldframe::pipeline
