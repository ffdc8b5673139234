#include <algorithm>
#include <array>
#include <cmath>

#include "align/model_choice.hpp"
#include "coldframe/align/match.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::align {
namespace {

constexpr int cells = 3;

// Pairs in each part of the sub, of those parts whose middle lies among the reference's stars.
bool covered(const Lists& lists, const std::vector<IndexPair>& pairs, const Transform& transform,
             Size frame) {
  std::array<int, cells * cells> count{};
  for (const IndexPair& pair : pairs) {
    const Point p = lists.sub.points[pair.sub];
    const int i = std::clamp(static_cast<int>(p.x * cells / frame.width), 0, cells - 1);
    const int j = std::clamp(static_cast<int>(p.y * cells / frame.height), 0, cells - 1);
    ++count[static_cast<std::size_t>(j * cells + i)];
  }
  constexpr int enough = 2;
  for (int j = 0; j < cells; ++j) {
    for (int i = 0; i < cells; ++i) {
      const Point p =
          transform.apply({(i + 0.5) * frame.width / cells, (j + 0.5) * frame.height / cells});
      const bool among =
          p.x >= lists.low.x && p.y >= lists.low.y && p.x <= lists.high.x && p.y <= lists.high.y;
      if (among && count[static_cast<std::size_t>(j * cells + i)] < enough) return false;
    }
  }
  return true;
}

// Bent, but not torn: within some pixels of the first mapping all over the frame, same hand.
bool sane(const Transform& bent, const Transform& first, Size frame) {
  constexpr int steps = 8;
  constexpr double most_px = 12.0;
  for (int j = 0; j <= steps; ++j) {
    for (int i = 0; i <= steps; ++i) {
      const Point p{(frame.width - 1.0) * i / steps, (frame.height - 1.0) * j / steps};
      const auto a = bent.local(p), b = first.local(p);
      const double dx = a.value.x - b.value.x, dy = a.value.y - b.value.y;
      const bool near = dx * dx + dy * dy < most_px * most_px;
      const double ratio = a.determinant() / b.determinant();
      if (!near || !(ratio > 0.9 && ratio < 1.1)) return false;
    }
  }
  return true;
}

}  // namespace

MatchResult refine_model(std::span<const Star> sub, Size frame, std::span<const Star> reference,
                         const MatchResult& first, const MatchOptions& options) {
  if (first.status != MatchStatus::matched || frame.width < 1 || frame.height < 1) return first;
  const Lists lists(sub, reference);
  const Point middle{0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
  const bool mirrored = first.transform.local(middle).determinant() < 0.0;
  constexpr double first_look_px = 3.0;
  auto pairs = pair_up(lists, first.transform, std::max(first_look_px, options.tolerance_px));
  RobustFit fit;
  for (int round = 0; round < 3; ++round) {
    const auto kind = choose_model(lists, pairs, TransformModel::polynomial, mirrored);
    if (kind.model <= TransformModel::affine) return first;
    fit = fit_robustly(lists, pairs, kind);
    if (!fit.usable || !covered(lists, fit.kept, fit.transform, frame) ||
        !sane(fit.transform, first.transform, frame)) {
      return first;
    }
    pairs = pair_up(lists, fit.transform, options.tolerance_px);
  }
  MatchResult result = first;
  result.transform = fit.transform;
  result.pairs.clear();
  std::vector<double> distances;
  double squares = 0.0;
  for (const IndexPair& pair : fit.kept) {
    result.pairs.emplace_back(lists.sub.original[pair.sub],
                              lists.reference.original[pair.reference]);
    distances.push_back(pair.distance_px);
    squares += pair.distance_px * pair.distance_px;
  }
  result.rms_px = std::sqrt(squares / (2.0 * static_cast<double>(distances.size())));
  result.median_px = median_in_place(distances);
  return result;
}

}  // namespace coldframe::align
