#include "coldframe/stack/combine.hpp"

#include <cmath>

#include "coldframe/core/error.hpp"
#include "tile_combiner.hpp"

namespace coldframe::stack {
namespace {

int blocks_between(int low, int high) noexcept {
  if (high <= low) return 0;
  const auto floor = [](int v) {
    return v >= 0 ? v / block_px : -((-v + block_px - 1) / block_px);
  };
  return floor(high - 1) - floor(low) + 1;
}

[[noreturn]] void refuse(const char* what) {
  throw Error(ErrorKind::usage, "", what, "give every sub one view and one entry");
}

void check(const TileSamples& s, std::span<const float> exposure, const TileResult& result,
           std::span<const std::uint64_t> clipped) {
  const std::size_t subs = s.values.size();
  const auto blocks =
      static_cast<std::size_t>(s.block_columns()) * static_cast<std::size_t>(s.block_rows());
  if (!s.masks.empty() && s.masks.size() != subs) refuse("masks and values differ in number");
  if (!s.coefficients.empty() && s.coefficients.size() != subs * blocks) {
    refuse("coefficients do not cover the subs and blocks of the tile");
  }
  if (!exposure.empty() && exposure.size() != subs) refuse("exposures and values differ in number");
  if (!clipped.empty() && clipped.size() != 2 * subs) refuse("two counts per sub are needed");
  for (const auto& view : s.values) {
    if (view.size() != s.tile.size()) refuse("a sub's samples do not have the tile's size");
  }
  for (const auto& view : s.masks) {
    if (!view.empty() && view.size() != s.tile.size())
      refuse("a mask does not have the tile's size");
  }
  if (result.mean.size() != s.tile.size()) refuse("the result does not have the tile's size");
}

}  // namespace

std::string_view to_string(Rejection rule) noexcept {
  switch (rule) {
    case Rejection::none:
      return "none";
    case Rejection::noise_model:
      return "noise-model";
    case Rejection::kappa_sigma:
      return "kappa-sigma";
    case Rejection::winsorised:
      return "winsorised";
    case Rejection::esd:
      return "esd";
  }
  return "";
}

std::vector<std::string> CombineOptions::faults() const {
  std::vector<std::string> list;
  const auto demand = [&](bool good, const char* text) {
    if (!good) list.emplace_back(text);
  };
  demand(kappa_low >= 1.0 && kappa_low <= 100.0,
         "the lower limit must lie between 1 and 100 sigma");
  demand(kappa_high >= 1.0 && kappa_high <= 100.0,
         "the upper limit must lie between 1 and 100 sigma");
  // Below sqrt(3) the only fixed point of iterated clipping is an empty sample.
  demand(rule != Rejection::kappa_sigma || (kappa_low >= 1.75 && kappa_high >= 1.75),
         "iterated clipping below 1.75 sigma would eat the whole sample");
  demand(max_iterations >= 1 && max_iterations <= 100, "iterations must lie between 1 and 100");
  demand(esd_alpha > 0.0 && esd_alpha < 0.5, "the significance must lie between 0 and 0.5");
  demand(esd_max_fraction >= 0.0 && esd_max_fraction <= 0.5,
         "the share of outliers must lie between 0 and 0.5");
  demand(seeing_share >= 0.0 && seeing_share <= 10.0, "the seeing share must lie between 0 and 10");
  demand(std::isfinite(sky_level), "the sky level must be a number");
  return list;
}

int TileSamples::block_columns() const noexcept { return blocks_between(tile.x0, tile.x1); }
int TileSamples::block_rows() const noexcept { return blocks_between(tile.y0, tile.y1); }

void combine_tile(const TileSamples& samples, const CombineOptions& options,
                  std::span<const float> exposure, const TileResult& result,
                  std::span<std::uint64_t> clipped_per_sub) {
  check(samples, exposure, result, clipped_per_sub);
  detail::TileCombiner combiner(samples, options, exposure, result);
  combiner.run();
  combiner.report_cuts(clipped_per_sub);
}

}  // namespace coldframe::stack
