// Noise of the masters that dithers do not average.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "check_parts.hpp"

namespace coldframe::session {
namespace {

constexpr double told_share = 0.10;  // of the result's variance
constexpr double same_px = 1.0;      // the error of a pixel reaches into its neighbours

// Where two places of the canvas, a third and two thirds across, lie on a sub's sensor.
struct Place {
  Point a, b;
};

bool same(const Place& p, const Place& q) {
  return std::hypot(p.a.x - q.a.x, p.a.y - q.a.y) < same_px &&
         std::hypot(p.b.x - q.b.x, p.b.y - q.b.y) < same_px;
}

// Sum of squared weights of the master's noise in a mean of the subs: 1 when all use the same
// pixels, 1/n when no two do.
double weight_left(const std::vector<Place>& places) {
  double pairs = 0.0;
  for (const auto& p : places) {
    for (const auto& q : places) pairs += same(p, q) ? 1.0 : 0.0;
  }
  const auto n = static_cast<double>(places.size());
  return pairs / (n * n);
}

}  // namespace

void check_shared_noise(const GroupState& group, SessionRecord& record) {
  const SubState* first = nullptr;
  std::vector<Place> places;
  double own = 0.0, shared = 0.0;
  for (const auto& sub : group.subs) {
    if (!sub.kept || !sub.calibration || sub.measured.sky.empty()) continue;
    if (first == nullptr) first = &sub;
    if (sub.calibration != first->calibration) continue;  // errors of its own
    const double width = first->measured.frame.width, height = first->measured.frame.height;
    const Point a = first->to_canvas.apply({width / 3.0, height / 3.0});
    const Point b = first->to_canvas.apply({2.0 * width / 3.0, 2.0 * height / 3.0});
    places.push_back({sub.to_canvas.unapply(a), sub.to_canvas.unapply(b)});
    // The middle one of three planes is green: most of a mosaic's pixels.
    const auto& mesh = sub.measured.sky[sub.measured.sky.size() / 2].mesh;
    const double noise = mesh.median_noise();
    const double common =
        sub.calibration->shared_variance_at(0.5 * width, 0.5 * height, mesh.median_level());
    shared += common;
    own += noise * noise;  // the scatter over a frame holds the masters' part as well
  }
  const auto count = static_cast<double>(places.size());
  if (places.size() < 3 || !(own > 0.0)) return;
  const double part = std::min(shared / own, 1.0);
  const double left = weight_left(places);
  // Well dithered: few masters only, nothing that the dithers could mend.
  if (left * count < 2.0) return;
  const double common = part * left;
  const double share = common / (common + (1.0 - part) / count);
  if (!(share > told_share)) return;
  const double dithered = part / count + (1.0 - part) / count;
  warn(record, "shared-noise",
       fmt::format("{}: {:.0f}% of the result's variance is the masters' own noise, the same in "
                   "subs that lie within a pixel of each other: its noise is {:.0f}% higher than "
                   "dithered subs would have; dither by several pixels or take more darks and "
                   "flats",
                   name_of(group), 100.0 * share,
                   100.0 * (std::sqrt((common + (1.0 - part) / count) / dithered) - 1.0)));
}

}  // namespace coldframe::session
