#include "coldframe/sky/gradient.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "sky_cells.hpp"

namespace coldframe::sky {
namespace {

constexpr double share_for_gradient = 0.25;
constexpr double share_for_level = 0.10;
constexpr std::size_t least_cells = 12;
constexpr int rounds = 4;
/// A lower order is taken as soon as it leaves this share of the free sky that the best one leaves.
constexpr double comparable_share = 0.6;

/// How far a surface may bend, given how much of the field it has to bridge.
int highest_order(double free_share, int max_order) {
  if (free_share < 0.5) return std::min(max_order, 1);
  if (free_share < 0.7) return std::min(max_order, 2);
  return max_order;
}

/// First division into sky and objects. A bowl of sky glow looks like a broad object
/// on a plane; a broad object is no polynomial. So a higher order is taken for the
/// first look only where it frees much more of the field.
void first_look(CellGrid& grid, const GradientOptions& options) {
  struct Look {
    double free = 0.0;
    std::vector<char> covered;
  };
  std::vector<Look> looks;
  double best = 0.0;
  for (int order = std::min(options.max_order, 1); order <= options.max_order; ++order) {
    mark_objects(grid, lower_surface(grid, order), options);
    apply_regions(grid, options);
    looks.push_back({grid.free_share(), grid.covered});
    best = std::max(best, looks.back().free);
  }
  for (const auto& look : looks) {
    if (look.free < comparable_share * best) continue;
    grid.covered = look.covered;
    return;
  }
}

GradientModel level_only(const CellGrid& grid, GradientModel model) {
  const auto fit = fit_chebyshev(grid.free_points(), grid.frame, 0);
  model.status = GradientStatus::level_only;
  model.surface = fit.surface;
  model.residual_rms = fit.residual_sigma;
  return model;
}

void check(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
           PlaneView<const float> weight, const GradientOptions& options) {
  const auto faults = options.faults();
  if (!faults.empty())
    throw Error(ErrorKind::usage, "", fmt::format("{}", fmt::join(faults, "; ")), "");
  if ((!mask.empty() && mask.size() != image.size()) ||
      (!weight.empty() && weight.size() != image.size())) {
    throw Error(ErrorKind::usage, "", "mask or weight and image differ in size", "");
  }
}

}  // namespace

std::vector<std::string> GradientOptions::faults() const {
  std::vector<std::string> list;
  if (max_order < 0 || max_order > 6)
    list.emplace_back("the highest order of a gradient must be 0 to 6");
  if (bin_px < 4) list.emplace_back("cells of the sky must be at least 4 px wide");
  if (!(object_sigma > 0.0)) list.emplace_back("the threshold for objects must be positive");
  if (grow_cells < 0) list.emplace_back("room around objects cannot be negative");
  if (!(min_coverage >= 0.0 && min_coverage <= 1.0))
    list.emplace_back("the least coverage must be 0 to 1");
  return list;
}

GradientModel fit_cells(CellGrid& grid, const GradientOptions& options) {
  GradientModel model;
  model.surface.size = grid.frame;
  model.cell_noise = grid.noise;
  if (grid.with_data() < least_cells) return model;
  first_look(grid, options);
  ChebyshevFit fit;
  for (int round = 0;; ++round) {
    model.free_sky_share = grid.free_share();
    model.free_cells = grid.free();
    if (model.free_sky_share < share_for_level || model.free_cells < least_cells / 2) return model;
    if (model.free_sky_share < share_for_gradient) return level_only(grid, model);
    const int highest = highest_order(model.free_sky_share, options.max_order);
    const int order = order_by_cross_validation(grid, highest);
    fit = fit_chebyshev(grid.free_points(), grid.frame, order);
    if (fit.status == FitStatus::singular) return level_only(grid, model);
    if (round + 1 == rounds) break;
    const auto before = grid.covered;
    mark_objects(grid, fit.surface, options);
    apply_regions(grid, options);
    if (grid.covered == before) break;
  }
  model.status = GradientStatus::fitted;
  model.surface = std::move(fit.surface);
  model.residual_rms = fit.residual_sigma;
  model.covered = grid.covered;
  return model;
}

GradientModel fit_gradient(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                           PlaneView<const float> weight, const GradientOptions& options,
                           Threads threads) {
  check(image, mask, weight, options);
  auto grid = sample_cells(image, mask, weight, options, threads);
  auto model = fit_cells(grid, options);
  if (model.status == GradientStatus::fitted) model.taken_share = taken_share(grid, model, options);
  return model;
}

GradientModel fit_gradient_like(const GradientModel& guide, PlaneView<const float> image,
                                PlaneView<const std::uint8_t> mask, PlaneView<const float> weight,
                                const GradientOptions& options, Threads threads) {
  check(image, mask, weight, options);
  GradientModel model;
  model.surface.size = image.size();
  auto grid = sample_cells(image, mask, weight, options, threads);
  model.cell_noise = grid.noise;
  if (guide.status != GradientStatus::fitted || guide.covered.size() != grid.cells.size()) {
    return model;
  }
  grid.covered = guide.covered;
  model.free_sky_share = grid.free_share();
  model.free_cells = grid.free();
  auto fit = fit_chebyshev(grid.free_points(), grid.frame, guide.surface.order);
  if (fit.status == FitStatus::singular) return level_only(grid, model);
  model.status = GradientStatus::fitted;
  model.surface = std::move(fit.surface);
  model.residual_rms = fit.residual_sigma;
  model.covered = std::move(grid.covered);
  return model;
}

}  // namespace coldframe::sky
