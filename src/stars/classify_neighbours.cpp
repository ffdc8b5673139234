/// \file
/// Classes by company: pieces of lines, members of a crowd.
#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "stars/neighbour_grid.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {
namespace {

std::vector<Point> places_of(const std::vector<Source>& sources) {
  std::vector<Point> places(sources.size());
  for (std::size_t i = 0; i < sources.size(); ++i) {
    places[i] = {sources[i].star.x, sources[i].star.y};
  }
  return places;
}

/// A straight line through a source.
struct Ray {
  Point at;
  double cos = 1.0, sin = 0.0;

  [[nodiscard]] double along(Point p) const noexcept {
    return (p.x - at.x) * cos + (p.y - at.y) * sin;
  }
  [[nodiscard]] double across(Point p) const noexcept {
    return std::abs((p.y - at.y) * cos - (p.x - at.x) * sin);
  }
};

/// A ridge that goes on far to both sides and holds most of the light of the peak on it.
bool on_line(const Source& s) noexcept {
  constexpr float least_level = 4.0F;
  constexpr float least_share = 0.5F;
  constexpr int least_steps = 7;  // of 2.2 widths
  return s.peak.line > least_level && s.peak.line > least_share * s.peak.value &&
         s.peak.line_steps >= least_steps;
}

/// Longer than the local star, with a direction of its own.
bool is_dash(const Source& s) noexcept {
  return s.star.fitted && (s.star.kind == StarClass::extended || s.star.kind == StarClass::blend) &&
         s.optical_major > 1.4 * s.optical_minor;
}

Ray ray_of(const Source& s) noexcept {
  const double angle = on_line(s) ? static_cast<double>(s.peak.line_angle)
                                  : s.star.angle_deg * std::numbers::pi / 180.0;
  return {{s.star.x, s.star.y}, std::cos(angle), std::sin(angle)};
}

/// A far brighter star on the line, within the reach of its spikes.
bool starts_at_star(const Source& s, const Ray& ray, const std::vector<const Source*>& bright,
                    double fwhm) noexcept {
  constexpr double reach_widths = 100.0;
  for (const Source* star : bright) {
    if (star == &s || (!star->saturated && star->star.flux < 30.0 * s.star.flux)) continue;
    const Point p{star->star.x, star->star.y};
    const double distance = std::abs(ray.along(p));
    const double room = 1.5 * fwhm + 0.5 * star->saturated_radius + 0.04 * distance;
    if (distance < reach_widths * fwhm && ray.across(p) < room) return true;
  }
  return false;
}

/// Dashes on one line, each drawn out along it: a tumbling satellite, lights of an aircraft.
bool has_company(const Source& s, const std::vector<const Source*>& dashes, double fwhm) noexcept {
  const Ray ray = ray_of(s);
  int company = 0;
  for (const Source* other : dashes) {
    if (other == &s) continue;
    const double turn = std::remainder(other->star.angle_deg - s.star.angle_deg, 180.0);
    if (std::abs(turn) > 8.0) continue;
    const Point p{other->star.x, other->star.y};
    if (ray.across(p) < fwhm + 0.03 * std::abs(ray.along(p))) ++company;
  }
  return company >= 2;
}

}  // namespace

void classify_lines(Size /*frame*/, const FieldProfile& profile, std::vector<Source>& sources) {
  std::vector<const Source*> bright, dashes;
  std::vector<Source*> lines;
  for (Source& s : sources) {
    if (s.dropped) continue;
    const bool compact = is_star(s.star.kind) && !on_line(s);
    if (s.saturated || (compact && s.star.snr > 100.0)) bright.push_back(&s);
    if (is_dash(s)) dashes.push_back(&s);
    if (!s.saturated && !s.edge && on_line(s)) lines.push_back(&s);
  }
  std::vector<Source*> trails;
  constexpr std::size_t most_dashes = 400;  // more is no aircraft but a field of galaxies
  if (dashes.size() <= most_dashes) {
    for (Source& s : sources) {
      if (!s.dropped && is_dash(s) && has_company(s, dashes, profile.fwhm_px)) trails.push_back(&s);
    }
  }
  for (Source* s : trails) s->star.kind = StarClass::trail;
  for (Source* s : lines) {
    const bool spike = starts_at_star(*s, ray_of(*s), bright, profile.fwhm_px);
    s->star.kind = spike ? StarClass::spike : StarClass::trail;
  }
}

void classify_crowded(Size frame, const FieldProfile& profile, std::vector<Source>& sources) {
  const std::vector<Point> places = places_of(sources);
  const double reach = 1.5 * profile.fwhm_px;
  const NeighbourGrid grid(places, frame, reach + 4.0);
  std::vector<std::size_t> crowded;
  for (std::size_t i = 0; i < sources.size(); ++i) {
    const Source& s = sources[i];
    if (s.dropped || s.star.kind != StarClass::star) continue;
    bool near = false;
    grid.near(places[i], reach, [&](std::size_t j, double) {
      const Source& other = sources[j];
      const bool light =
          !other.dropped && (is_star(other.star.kind) || other.star.kind == StarClass::blend);
      near = near || (j != i && light && other.star.flux > 0.1 * s.star.flux);
    });
    if (near) crowded.push_back(i);
  }
  for (const std::size_t i : crowded) sources[i].star.kind = StarClass::crowded;
}

}  // namespace coldframe::stars
