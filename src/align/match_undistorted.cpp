// One sub against the reference, both lists freed of their optics' distortion.
#include <algorithm>
#include <cmath>

#include "align/fit.hpp"
#include "align/model_choice.hpp"
#include "align/star_pairs.hpp"
#include "coldframe/align/distortion.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

StarList undistorted(std::span<const Star> stars, const Distortion& optics) {
  StarList list(stars.begin(), stars.end());
  for (Star& star : list) {
    const Point p = optics.undistort({star.x, star.y});
    star.x = p.x;
    star.y = p.y;
  }
  return list;
}

// Undistorted sub, own mapping, recorded reference, as one polynomial.
std::optional<Transform> composed(const Transform& own, Size frame, const Distortion& sub_optics,
                                  const Distortion& reference_optics) {
  if (sub_optics.kind == DistortionKind::none && reference_optics.kind == DistortionKind::none) {
    return own;
  }
  constexpr int nodes = 24;
  std::vector<Point> from, to;
  for (int j = 0; j <= nodes; ++j) {
    for (int i = 0; i <= nodes; ++i) {
      from.push_back({(frame.width - 1.0) * i / nodes, (frame.height - 1.0) * j / nodes});
      to.push_back(reference_optics.distort(own.apply(sub_optics.undistort(from.back()))));
      if (!std::isfinite(to.back().x)) return std::nullopt;
    }
  }
  constexpr double good_px = 0.002, bearable_px = 0.01;
  double worst = HUGE_VAL;
  for (const int order : {3, 5, 7}) {
    const auto fit = fit_transform(TransformModel::polynomial, from, to, {}, order);
    if (!fit.usable) return std::nullopt;
    worst = 0.0;
    for (std::size_t k = 0; k < from.size(); ++k) {
      const Point p = fit.transform.apply(from[k]);
      const double dx = p.x - to[k].x, dy = p.y - to[k].y;
      worst = std::max(worst, std::sqrt(dx * dx + dy * dy));
    }
    if (worst < good_px || (order == 7 && worst < bearable_px)) return fit.transform;
  }
  return std::nullopt;
}

}  // namespace

MatchResult match_undistorted(const DistortedSub& sub, Size frame, std::span<const Star> reference,
                              const Distortion& sub_optics, const Distortion& reference_optics,
                              const MatchOptions& options) {
  MatchResult result;
  const auto enough = static_cast<std::size_t>(std::max(options.minimum_pairs, 3));
  const Lists recorded(sub.stars, reference);
  if (recorded.sub.points.size() < enough || recorded.reference.points.size() < enough) {
    return result;
  }
  result.status = MatchStatus::no_consensus;
  const StarList sub_stars = undistorted(sub.stars, sub_optics);
  const StarList reference_stars = undistorted(reference, reference_optics);
  // The same stars in the same order as in `recorded`.
  const Lists lists(sub_stars, reference_stars);
  const Point middle{0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
  const bool mirrored = sub.start.local(middle).determinant() < 0.0;
  constexpr double first_look_px = 3.0;
  auto pairs = pair_up(recorded, sub.start, std::max(first_look_px, options.tolerance_px));
  RobustFit fit;
  for (int round = 0; round < 3; ++round) {
    if (pairs.size() < enough) return result;
    const auto highest = std::min(options.highest_model, TransformModel::affine);
    fit = fit_robustly(lists, pairs, choose_model(lists, pairs, highest, mirrored));
    if (!fit.usable) return result;
    pairs = pair_up(lists, fit.transform, options.tolerance_px);
  }
  auto transform = composed(fit.transform, frame, sub_optics, reference_optics);
  if (!transform || fit.kept.size() < enough) return result;
  result.transform = std::move(*transform);
  std::vector<double> distances;
  double squares = 0.0;
  for (const IndexPair& pair : fit.kept) {
    const Point p = result.transform.apply(recorded.sub.points[pair.sub]);
    const Point q = recorded.reference.points[pair.reference];
    const double dx = p.x - q.x, dy = p.y - q.y;
    distances.push_back(std::sqrt(dx * dx + dy * dy));
    squares += distances.back() * distances.back();
    result.pairs.emplace_back(lists.sub.original[pair.sub],
                              lists.reference.original[pair.reference]);
  }
  result.rms_px = std::sqrt(squares / (2.0 * static_cast<double>(distances.size())));
  result.median_px = median_in_place(distances);
  result.status = MatchStatus::matched;
  return result;
}

}  // namespace coldframe::align
