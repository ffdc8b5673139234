#include "trail_judge.hpp"

#include <algorithm>
#include <cmath>
#include <optional>

#include "coldframe/core/statistics.hpp"
#include "trail_strip.hpp"

namespace coldframe::pipeline::detail {
namespace {

using stack::Trail;

// What lines near a trail and nearly parallel to it look like: their levels, and their contrasts
// against the lines to their left and right, all in units of white noise.
class Neighbourhood {
 public:
  Neighbourhood(const TrailResidual& residual, const Trail& line)
      : residual_(residual),
        line_(line),
        half_width_(strip_half_width(line)),
        spacing_(2.0 * half_width_ + 1.0),
        gap_(std::ceil((0.6 * line.core_px + 1.0) / spacing_) + 1.0) {
    for (const double tilt : {0.0, -7.0, 7.0, -14.0, 14.0}) {
      for (int k = -strips; k <= strips; ++k) {
        const double last = k + tilt;
        // None may cross the trail or lie on its wings.
        const double clear = std::max(gap_ + 1.0, 0.5 * line.width_px / spacing_ + 1.0);
        if (k * last <= 0.0 || std::min(std::abs(k) * 1.0, std::fabs(last)) < clear) continue;
        add(k, last);
      }
      if (tilt == 0.0) parallel_ = levels_.size();
    }
  }
  struct Measured {
    double level = 0.0;
    double error = 0.0;  ///< of the mean brightness
    std::optional<double> contrast;
  };
  [[nodiscard]] std::optional<Measured> measure(double first, double last) const {
    const auto own = strip(first, last);
    if (!own) return std::nullopt;
    Measured m;
    m.error = own->error;
    m.level = own->mean / own->error;
    const auto left = strip(first - gap_, last - gap_);
    const auto right = strip(first + gap_, last + gap_);
    if (left && right) {
      m.contrast = (own->mean - 0.5 * (left->mean + right->mean)) / (std::sqrt(1.5) * own->error);
    } else if (left || right) {
      // At the border of the picture one side must do.
      m.contrast = (own->mean - (left ? left : right)->mean) / (std::sqrt(2.0) * own->error);
    }
    return m;
  }
  /// Of the lines quite parallel to the trail: what a detector's rows make shows there alone.
  [[nodiscard]] std::span<const double> parallel_levels() const noexcept {
    return std::span(levels_).first(parallel_);
  }
  [[nodiscard]] const std::vector<double>& levels() const noexcept { return levels_; }
  [[nodiscard]] const std::vector<double>& contrasts() const noexcept { return contrasts_; }
  [[nodiscard]] double gap() const noexcept { return gap_; }
  [[nodiscard]] int half_width() const noexcept { return half_width_; }
  [[nodiscard]] double spacing() const noexcept { return spacing_; }

 private:
  static constexpr int strips = 24;  // on either side

  [[nodiscard]] std::optional<Strip> strip(double first, double last) const {
    return measure_strip(residual_.values, residual_.mask, line_, spacing_ * first, spacing_ * last,
                         half_width_);
  }
  void add(double first, double last) {
    const auto m = measure(first, last);
    if (!m) return;
    levels_.push_back(m->level);
    if (m->contrast) contrasts_.push_back(*m->contrast);
  }

  const TrailResidual& residual_;
  Trail line_;
  int half_width_;
  double spacing_;
  double gap_;
  std::size_t parallel_ = 0;
  std::vector<double> levels_;
  std::vector<double> contrasts_;
};

// Standard deviation of what lies within 2.5 of it.
double clipped_scatter(std::span<const double> values) {
  constexpr double limit = 2.5;
  constexpr double kept_of_gaussian = 0.9494;  // sd of a Gaussian cut there
  const double middle = median(values);
  double scatter = robust_sigma(values);
  for (int pass = 0; pass < 3; ++pass) {
    double sum = 0.0;
    double count = 0.0;
    for (const double v : values) {
      const double off = v - middle;
      if (std::fabs(off) > limit * scatter) continue;
      sum += off * off;
      count += 1.0;
    }
    if (count > 0.0) scatter = std::sqrt(sum / count) / kept_of_gaussian;
  }
  return scatter;
}

// How much more than white noise the lines around scatter, where chance does not explain it (the
// lines cross each other, so they are fewer than they look): a guess would cost faint trails.
double excess_scatter(std::span<const double> values) {
  constexpr std::size_t enough = 12;
  if (values.size() < enough) return 1.0;
  const double error = 0.8 / std::sqrt(static_cast<double>(values.size()));
  const double scatter = clipped_scatter(values);
  return scatter > 1.0 + 4.0 * error ? scatter / (1.0 + error) : 1.0;
}

// Light that the model has there too, though too faint to be taken out: what of it its own noise
// does not explain stays in every sub and is no trail. In units of the line's significance.
double standing_light(const TrailResidual& residual, const Trail& trail, double error) {
  const int half_width = strip_half_width(trail);
  const double beside = trail.core_px + 2.0 * half_width + 2.0;
  const auto level = [&](double offset) {
    const auto strip =
        measure_strip(residual.hidden, residual.mask, trail, offset, offset, half_width);
    return strip ? strip->mean / error : 0.0;
  };
  const double above = level(0.0) - 0.5 * (level(-beside) + level(beside));
  return std::max(above - 1.5 * residual.model_noise, 0.0);
}

// A trail stands out of the lines around it by more than these scatter: that scatter holds
// whatever the sky, the flat or a crowded field leave in the residual, white or not.
double worth_around(const TrailResidual& residual, const Trail& trail) {
  const Neighbourhood around(residual, trail);
  const auto own = around.measure(0.0, 0.0);
  if (!own) return trail.significance;
  const double level_scatter =
      std::max(excess_scatter(around.levels()), excess_scatter(around.parallel_levels()));
  const double contrast_scatter = excess_scatter(around.contrasts());
  const double offset = around.levels().size() < 12 ? 0.0 : median(around.levels());
  // A strip is not the matched filter: it stays somewhat behind, of bright ones for its clip.
  constexpr double plain = 10.0;
  const double claimed = std::min(trail.significance, plain);
  const double level = (own->level - offset) / level_scatter;
  const double contrast = own->contrast.value_or(level) / contrast_scatter;
  // Broad and short is what a sky that was not taken out well looks like.
  constexpr double broad_px = 8.0;
  constexpr double stubby = 0.05;
  const bool broad = trail.core_px > broad_px || trail.core_px > stubby * length_of(trail);
  const double strict = broad ? 1.6 : 1.0;
  if (level < 0.6 * strict * claimed || contrast < 0.4 * strict * claimed) return 0.0;
  return (trail.significance - standing_light(residual, trail, own->error)) / level_scatter;
}

bool along_axis(const Trail& t, double slack) noexcept {
  return std::min(std::fabs(t.x2 - t.x1), std::fabs(t.y2 - t.y1)) < slack;
}

bool along_border(const Trail& t, Size size) noexcept {
  const double band = 0.02 * std::min(size.width, size.height) + 2.0;
  const auto both = [&](double a, double b, double side) {
    return std::max(a, b) < band || std::min(a, b) > side - 1.0 - band;
  };
  return both(t.x1, t.x2, size.width) || both(t.y1, t.y2, size.height);
}

// On the outermost pixels, all along: one side is never seen, and what stands out there is the
// detector's border.
bool on_border(const Trail& t, Size size) noexcept {
  if (!along_axis(t, 1.5)) return false;
  const auto outermost = [](double a, double b, int side) {
    return std::max(a, b) < 1.0 || std::min(a, b) > side - 2.0;
  };
  return outermost(t.x1, t.x2, size.width) || outermost(t.y1, t.y2, size.height);
}

// Whether one side of the line cannot be seen: where the sub or the model ends, steps are no
// trails.
bool at_edge(const TrailResidual& residual, const Trail& trail) {
  const double beside = trail.core_px + 6.0;
  const auto seen = [&](double side) {
    return measure_strip(residual.values, residual.mask, trail, side, side, 1).has_value();
  };
  return !seen(-beside) || !seen(beside);
}

// What moves through the sky is as sharp as a star, or seen out of focus and then bright; chance
// makes lines of any width, real noise more of broad ones, and halos leave broad bands.
double off_focus(double core, double focus) noexcept {
  if (core > std::max(2.0 * focus, 3.5)) return 1.5;
  if (core > 1.4 * focus) return 1.0;
  return core < 0.7 * focus ? 0.2 : 0.0;
}

// The least that makes a line of this kind credible.
double least_for(const TrailResidual& residual, const Trail& trail, double min_significance) {
  // Of a line whose ends both lie at the border; find_trails knows the rest.
  double least = min_significance - 2.0 * stack::per_fixed_end;
  const Size size = residual.values.size();
  least += off_focus(trail.core_px, residual.focus_px);
  if (trail.core_px > 8.0) least = std::max(least, 9.0);
  // A few neighbouring rows that the read-out lifted.
  if (along_axis(trail, 2.5) && trail.core_px > 4.0) least = std::max(least, 10.0);
  if (length_of(trail) < 0.15 * std::min(size.width, size.height)) least = std::max(least, 10.0);
  if (along_border(trail, size) || at_edge(residual, trail)) {
    least = std::max(least, along_axis(trail, 4.0) ? 10.0 : 9.0);
  }
  return least;
}

}  // namespace

bool is_trail(const TrailResidual& residual, Trail& trail, double min_significance) {
  const double length = length_of(trail);
  if (!(length > 0.0) || trail.core_px > 0.12 * length) return false;
  if (on_border(trail, residual.values.size())) return false;
  const double least = least_for(residual, trail, min_significance);
  if (trail.significance < least) return false;
  trail.significance = worth_around(residual, trail);
  if (trail.significance < least) return false;
  // What outshines all that the sky can feign needs no further question.
  constexpr double plain = 300.0;
  return trail.significance > plain ||
         (!is_share_of_model(residual, trail) && !is_ray(residual, trail));
}

}  // namespace coldframe::pipeline::detail
