/// \file
/// Classes by shape, relative to the local profile: the logarithm of the fitted width is
/// modelled over the field (constant, plane or quadratic, as the number of stars allows), so
/// that stretched stars in soft corners stay stars.
#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {
namespace {

/// ln of a width as a polynomial of the position.
class WidthMap {
 public:
  struct Sample {
    Point at;
    double log_width = 0.0;
  };

  WidthMap(const std::vector<Sample>& samples, Size frame)
      : centre_{0.5 * frame.width, 0.5 * frame.height},
        scale_(0.5 * std::max(1, std::max(frame.width, frame.height))) {
    std::vector<double> logs;
    for (const Sample& s : samples) logs.push_back(s.log_width);
    if (logs.empty()) return;
    coefficients_ = {logs.size() >= 10 ? half_sample_mode(logs) : median(logs)};
    scatter_ = 0.1;
    for (const double limit : {0.5, 0.3, 0.2}) refine(samples, limit);
  }
  [[nodiscard]] bool known() const noexcept { return !coefficients_.empty(); }
  [[nodiscard]] double at(Point p) const noexcept {
    const auto t = terms(p);
    double sum = 0.0;
    for (std::size_t k = 0; k < coefficients_.size(); ++k) sum += coefficients_[k] * t[k];
    return sum;
  }
  [[nodiscard]] double scatter() const noexcept { return scatter_; }

 private:
  [[nodiscard]] std::array<double, 6> terms(Point p) const noexcept {
    const double u = (p.x - centre_.x) / scale_;
    const double v = (p.y - centre_.y) / scale_;
    return {1.0, u, v, u * u, u * v, v * v};
  }
  void refine(const std::vector<Sample>& samples, double limit) {
    std::vector<double> values;
    std::vector<Point> places;
    for (const Sample& s : samples) {
      if (std::abs(s.log_width - at(s.at)) > limit) continue;
      values.push_back(s.log_width);
      places.push_back(s.at);
    }
    if (values.size() < 3) return;
    const std::size_t columns = values.size() >= 40 ? 6 : values.size() >= 15 ? 3 : 1;
    std::vector<double> design;
    for (const Point& p : places) {
      const auto t = terms(p);
      design.insert(design.end(), t.begin(), t.begin() + static_cast<std::ptrdiff_t>(columns));
    }
    const LinearFit fit = linear_least_squares(design, columns, values);
    if (fit.status != FitStatus::converged) return;
    coefficients_ = fit.coefficients;
    for (std::size_t i = 0; i < values.size(); ++i) values[i] -= at(places[i]);
    scatter_ = std::max(0.01, robust_sigma(values));
  }

  Point centre_;
  double scale_;
  std::vector<double> coefficients_;
  double scatter_ = 0.1;
};

struct ShapeRules {
  const WidthMap& geometric;
  const WidthMap& major;
  const WidthMap& minor;
};

/// A lone pixel may be a hit as well as hot: only its place in other frames would tell.
StarClass class_of_sharp(const Source& source) noexcept {
  return source.sharp_edge.lit > 0 ? StarClass::cosmic_ray : StarClass::hot_pixel;
}

/// Chi-square per degree of freedom that a star of this signal-to-noise may have: the field's
/// profile is known to some percent only.
double tolerable_misfit(const Source& source) noexcept {
  return 6.0 + std::pow(0.05 * source.star.snr, 2);
}

/// Light that the field's profile does not describe at all, by where its own lies.
StarClass class_of_misfit(const Source& source) noexcept {
  return source.spread_ratio < 0.9 ? class_of_sharp(source) : StarClass::extended;
}

StarClass class_by_fit(const Source& source, const ShapeRules& rules) noexcept {
  // A shape so free that not even its light is determined is that of a ridge.
  if (source.star.snr < 4.0) return StarClass::extended;
  const Point at{source.star.x, source.star.y};
  const double width = std::sqrt(source.optical_major * source.optical_minor);
  const double noise = source.star.fwhm_error_px / std::max(source.star.fwhm_px, 0.1);
  const auto room = [&](double least, const WidthMap& map) {
    return std::max(least, 4.0 * std::hypot(1.5 * noise, map.scatter()));
  };
  const double narrow = rules.minor.at(at) - std::log(source.optical_minor);
  if (narrow > room(0.45, rules.minor)) return class_of_sharp(source);
  const double wide = std::log(width) - rules.geometric.at(at);
  const double lengthy = std::log(source.optical_major) - rules.major.at(at);
  const bool too_long = lengthy > room(0.24, rules.major);
  if (!too_long && wide <= room(0.16, rules.geometric)) return StarClass::star;
  // Two stars in one are long, but no wider across than one and not longer than their distance
  // allows before they show as two.
  constexpr double longest_pair = 0.8;  // ln 2.2
  const double across = -narrow;
  const bool thin = across < room(0.2, rules.minor);
  return thin && lengthy < longest_pair ? StarClass::blend : StarClass::extended;
}

StarClass class_by_spread(const Source& source) noexcept {
  if (!source.converged) return StarClass::extended;
  if (source.star.chi2_per_dof > tolerable_misfit(source)) return class_of_misfit(source);
  if (!(source.spread_error > 0.0)) return StarClass::star;
  const double room = 4.0 * source.spread_error;
  if (source.spread_ratio < 0.6 - room) return class_of_sharp(source);
  if (source.spread_ratio > 1.35 + room) return StarClass::extended;
  return StarClass::star;
}

bool shapes_the_field(const Source& s) noexcept {
  return s.star.fitted && !s.suspect && !s.edge && !s.sharp && !s.saturated && s.star.snr > 12.0 &&
         s.optical_minor > 0.3;
}

WidthMap map_of(const std::vector<Source>& sources, Size frame, double (*width)(const Source&)) {
  std::vector<WidthMap::Sample> samples;
  for (const bool isolated : {true, false}) {
    if (!isolated && samples.size() >= 10) break;
    for (const Source& s : sources) {
      if (!shapes_the_field(s) || s.isolated != isolated) continue;
      samples.push_back({{s.star.x, s.star.y}, std::log(width(s))});
    }
  }
  return {samples, frame};
}

}  // namespace

namespace {

/// Whether its edges are sharper than those of a star where it stands. What was taken for sharp
/// against the mean width is looked at again in parts of the field that are sharper.
bool is_sharp(const Source& s, const FieldProfile& profile) noexcept {
  const double local = profile.recorded_at({s.star.x, s.star.y}).minor;
  if (has_sharp_edge(s, 0.9 * local)) return true;
  if (!s.sharp) return false;
  return local > 0.9 * profile.fwhm_px || s.sharp_edge.across < 0.6 * least_side_ratio(local);
}

}  // namespace

void classify(Size frame, const FieldProfile& profile, std::vector<Source>& sources) {
  const WidthMap geometric = map_of(
      sources, frame, [](const Source& s) { return std::sqrt(s.optical_major * s.optical_minor); });
  const WidthMap major = map_of(sources, frame, [](const Source& s) { return s.optical_major; });
  const WidthMap minor = map_of(sources, frame, [](const Source& s) { return s.optical_minor; });
  const ShapeRules rules{geometric, major, minor};
  for (Source& s : sources) {
    if (s.dropped) continue;
    s.star.kind = StarClass::star;
    if (!s.star.fitted && !s.sharp) s.star.kind = class_by_spread(s);
    if (s.star.fitted && geometric.known()) s.star.kind = class_by_fit(s, rules);
    if (is_sharp(s, profile)) s.star.kind = class_of_sharp(s);
    if (s.edge) s.star.kind = StarClass::edge;
    if (s.saturated) s.star.kind = s.converged ? StarClass::saturated : StarClass::extended;
    // Chosen for looking odd: its shape is not a fair sample of the field's.
    if (s.suspect && s.star.kind == StarClass::star) s.star.fitted = false;
  }
  classify_lines(frame, profile, sources);
  classify_crowded(frame, profile, sources);
}

}  // namespace coldframe::stars
