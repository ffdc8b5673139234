#include "coldframe/align/drizzle.hpp"

#include <algorithm>
#include <cmath>

#include "align/drop_overlap.hpp"
#include "align/mapped_bounds.hpp"
#include "coldframe/core/error.hpp"

namespace coldframe::align {
namespace {

// Rounding at the corners leaves slivers that carry no light to speak of.
constexpr double least_overlap = 1e-9;

void check(const DrizzleSamples& s, int planes) {
  const Size size = s.region.empty() ? Size{} : s.region.size();
  const bool fits = s.values.size() == size && s.mask.size() == size &&
                    (s.variance.empty() || s.variance.size() == size);
  if (!fits) throw Error(ErrorKind::usage, "", "the sizes of drizzled samples differ", "");
  const bool placed =
      s.pattern == CfaPattern::none ? s.plane >= 0 && s.plane < planes : planes == 3;
  if (!placed) throw Error(ErrorKind::usage, "", "drizzled samples have no plane to go to", "");
}

}  // namespace

std::vector<std::string> DrizzleOptions::faults() const {
  std::vector<std::string> faults;
  if (!(drop_size > 0.0 && drop_size <= 1.0)) {
    faults.emplace_back("the drop size must be above 0 and at most 1 input pixel");
  }
  if (!(mask_share >= 0.0)) faults.emplace_back("the mask share must not be negative");
  return faults;
}

struct DrizzleTile::Drop {
  double value = 0.0;  ///< per output pixel
  double variance = 0.0;
  double weight = 1.0;
  std::uint8_t bits = 0;
  bool used = true;
};

struct DrizzleTile::Scratch {
  DropAreas areas;
};

DrizzleTile::DrizzleTile(const Rect& destination, int planes, const DrizzleOptions& options)
    : destination_(destination), options_(options), planes_(planes) {
  const auto faults = options.faults();
  if (!faults.empty()) throw Error(ErrorKind::usage, "", faults.front(), "");
  if (planes != 1 && planes != 3) {
    throw Error(ErrorKind::usage, "", "drizzle fills 1 or 3 planes", "");
  }
  cells_.resize(static_cast<std::size_t>(destination.count()) * static_cast<std::size_t>(planes));
}

void DrizzleTile::add(const DrizzleSamples& samples) {
  check(samples, planes_);
  ++sub_;
  Scratch scratch;
  const Transform& t = samples.sub_to_output;
  for (int y = samples.region.y0; y < samples.region.y1; ++y) {
    const int row = y - samples.region.y0;
    for (int x = samples.region.x0; x < samples.region.x1; ++x) {
      const int column = x - samples.region.x0;
      const auto map = t.local({static_cast<double>(x), static_cast<double>(y)});
      const auto& j = map.jacobian;
      const double p = options_.drop_size;
      const DropShape shape{map.value, {p * j[0], p * j[2]}, {p * j[1], p * j[3]}};
      const double reach_x = 0.5 * (std::fabs(shape.side_x.x) + std::fabs(shape.side_y.x)) + 1.0;
      const double reach_y = 0.5 * (std::fabs(shape.side_x.y) + std::fabs(shape.side_y.y)) + 1.0;
      if (!(map.value.x > destination_.x0 - reach_x && map.value.x < destination_.x1 + reach_x &&
            map.value.y > destination_.y0 - reach_y && map.value.y < destination_.y1 + reach_y)) {
        continue;
      }
      if (!overlap_areas(shape, scratch.areas)) continue;
      const double area = std::fabs(map.determinant());
      const int plane =
          samples.pattern == CfaPattern::none ? samples.plane : cfa_colour(samples.pattern, x, y);
      const auto value = static_cast<double>(samples.values(column, row));
      Drop drop;
      drop.bits = samples.mask(column, row);
      drop.used = (drop.bits & options_.left_out) == 0 && std::isfinite(value);
      if (!std::isfinite(value)) drop.bits |= mask_bit::not_finite;
      const double variance = samples.variance.empty()
                                  ? samples.variance_per_px
                                  : static_cast<double>(samples.variance(column, row));
      drop.value = value / area;
      drop.variance = variance / (area * area);
      drop.weight = samples.weight[static_cast<std::size_t>(plane)];
      put(drop, scratch, plane);
    }
  }
}

void DrizzleTile::put(const Drop& drop, Scratch& scratch, int plane) noexcept {
  const Rect& box = scratch.areas.box;
  const Rect part = box.intersect(destination_);
  if (part.empty()) return;
  Cell* cells = cells_.data() +
                static_cast<std::size_t>(destination_.count()) * static_cast<std::size_t>(plane);
  for (int y = part.y0; y < part.y1; ++y) {
    const double* area = scratch.areas.area.data() + (y - box.y0) * box.width() - box.x0;
    Cell* row = cells + static_cast<std::ptrdiff_t>(y - destination_.y0) * destination_.width() -
                destination_.x0;
    for (int x = part.x0; x < part.x1; ++x) {
      const double a = area[x];
      if (a < least_overlap) continue;
      Cell& cell = row[x];
      if (!drop.used) {
        cell.lost_bits = static_cast<std::uint8_t>(cell.lost_bits | drop.bits);
        continue;
      }
      const double w = drop.weight * a;
      cell.value += w * drop.value;
      cell.weight += w;
      cell.variance += (w * w) * drop.variance;
      const auto square = static_cast<float>(w * w);
      cell.squares += square;
      if (drop.bits != 0) {
        cell.flagged += square;
        cell.used_bits = static_cast<std::uint8_t>(cell.used_bits | drop.bits);
      }
      if (cell.last != sub_ && w > 0.0) {
        cell.last = sub_;
        ++cell.subs;
      }
    }
  }
}

void DrizzleTile::finish(int plane, const Result& out) const {
  const Cell* cell = cells_.data() + static_cast<std::size_t>(destination_.count()) *
                                         static_cast<std::size_t>(plane);
  const double per_drop = 1.0 / (options_.drop_size * options_.drop_size);
  for (int y = 0; y < destination_.height(); ++y) {
    for (int x = 0; x < destination_.width(); ++x, ++cell) {
      const bool filled = cell->weight > 0.0;
      if (!out.values.empty()) {
        out.values(x, y) = filled ? static_cast<float>(cell->value / cell->weight) : 0.0F;
      }
      if (!out.variance.empty()) {
        const double variance = filled ? cell->variance / (cell->weight * cell->weight) : 0.0;
        out.variance(x, y) = static_cast<float>(variance);
      }
      if (!out.weight.empty()) out.weight(x, y) = static_cast<float>(per_drop * cell->weight);
      if (!out.subs.empty()) out.subs(x, y) = cell->subs;
      if (out.mask.empty()) continue;
      const bool flagged = static_cast<double>(cell->flagged) >
                           options_.mask_share * static_cast<double>(cell->squares);
      unsigned bits = flagged ? cell->used_bits : 0U;
      if (!filled) bits = unsigned{mask_bit::outside} | cell->lost_bits;
      out.mask(x, y) = static_cast<std::uint8_t>(bits);
    }
  }
}

Rect drizzle_region(const Transform& sub_to_output, const Rect& destination, Size sub) {
  if (destination.empty() || sub.width <= 0 || sub.height <= 0) return {};
  // A drop reaches half an input pixel beyond its centre, an output pixel half of its own.
  return region_of(mapped_bounds(sub_to_output, destination.expand(1)), 1.0, sub);
}

Transform canvas_grid(double scale, Point origin) noexcept {
  // Corners: reference -0.5 + origin goes to -0.5.
  auto t = Transform::affine(scale, 0.0, scale * (0.5 - origin.x) - 0.5, 0.0, scale,
                             scale * (0.5 - origin.y) - 0.5);
  t.model = TransformModel::similarity;
  return t;
}

double drizzle_noise_ratio(double drop_size, double output_pixel) noexcept {
  const double r = drop_size / output_pixel;
  return r >= 1.0 ? r / (1.0 - 1.0 / (3.0 * r)) : 1.0 / (1.0 - r / 3.0);
}

}  // namespace coldframe::align
