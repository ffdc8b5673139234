#include "coldframe/pipeline/memory_plan.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/stack/combine.hpp"

namespace coldframe::pipeline {
namespace {

constexpr std::size_t bytes_of_masters = 9;                    // subtract, multiply, defects
constexpr std::size_t bytes_of_sub = std::size_t{300} << 10U;  // star list, sky meshes, matches
constexpr std::size_t bytes_of_sample = 5;                     // value, mask
constexpr std::size_t most_strip_bytes = std::size_t{96} << 20U;
constexpr std::size_t bytes_of_result = 22;  // mean, variance, scatter, weight, counts, flags

std::size_t pixels(Size size) noexcept { return static_cast<std::size_t>(size.count()); }

std::size_t measure_bytes(const MemoryDemand& d) noexcept {
  const std::size_t per_pixel = d.planes == 3 ? 30 : 24;
  return per_pixel * pixels(d.frame);
}

struct Strip {
  int rows = stack::block_px;
  int columns = 0;
};

// What filling in colours holds per source pixel beyond its three planes: padded samples, the own
// lattice's planes and the excess over them, green; LMMSE four fields of differences and the noise.
double demosaic_bytes(sensor::Demosaic method) noexcept {
  if (method == sensor::Demosaic::lmmse) return 53.0;
  return sensor::mixes_colours(method) ? 33.0 : 0.0;
}

// Source rows that one tile needs, and the bytes one thread holds while it makes the tile of one
// sub.
std::size_t scratch_bytes(const MemoryDemand& d, const Strip& s) noexcept {
  const double turn = std::fabs(std::sin(d.rotation_rad));
  const double width = s.columns > 0 ? s.columns : d.canvas.width;
  const double shrink = std::max(d.shrink, 1.0);
  const int look = d.planes == 3 ? std::max(sensor::demosaic_margin(d.demosaic) - 5, 0) : 0;
  const double margin = 16.0 * shrink + 2.0 * look;
  const double source_rows = shrink * (s.rows + turn * width) + margin;
  const double source_columns =
      std::min<double>(d.frame.width, shrink * (width + turn * s.rows) + margin);
  const double per_pixel = d.planes == 3 ? 10.0 + 15.0 + demosaic_bytes(d.demosaic) : 10.0;
  return static_cast<std::size_t>(per_pixel * source_rows * source_columns);
}

std::size_t combine_bytes(const MemoryDemand& d, const Strip& s, int threads) noexcept {
  const auto rows = static_cast<std::size_t>(s.rows);
  const auto planes = static_cast<std::size_t>(d.planes);
  const auto width = static_cast<std::size_t>(d.canvas.width);
  const auto columns = s.columns > 0 ? static_cast<std::size_t>(s.columns) : width;
  return d.subs * planes * bytes_of_sample * rows * columns +
         planes * bytes_of_result * rows * width +
         static_cast<std::size_t>(threads) * scratch_bytes(d, s);
}

// Turned subs need slanted source bands: narrow tiles keep the band about twice the tile.
int tile_columns(const MemoryDemand& d, int rows) noexcept {
  const double turn = std::fabs(std::sin(d.rotation_rad));
  if (turn * d.canvas.width <= std::max(rows, 2 * stack::block_px)) return 0;
  const int fit = static_cast<int>(std::max(rows, 2 * stack::block_px) / turn);
  return std::max(fit / stack::block_px, 2) * stack::block_px;
}

std::size_t fixed_bytes(const MemoryDemand& d) noexcept {
  return base_bytes + d.subs * bytes_of_sub + d.resident +
         d.sets * bytes_of_masters * pixels(d.frame);
}

}  // namespace

std::size_t memory_floor(const MemoryDemand& d) noexcept {
  Strip least{stack::block_px, tile_columns(d, stack::block_px)};
  return fixed_bytes(d) + std::max(measure_bytes(d), combine_bytes(d, least, 1));
}

MemoryPlan plan_memory(const MemoryDemand& d, std::size_t order) {
  MemoryPlan plan;
  plan.floor_bytes = memory_floor(d);
  if (order < plan.floor_bytes) {
    throw Error(ErrorKind::usage, "",
                fmt::format("--memory {} MiB is too small for {} frames of {} x {} pixels",
                            order >> 20U, d.subs, d.frame.width, d.frame.height),
                fmt::format("give at least {} MiB", (plan.floor_bytes >> 20U) + 1));
  }
  const std::size_t room = order - fixed_bytes(d);
  const std::size_t each = std::max<std::size_t>(measure_bytes(d), 1);
  plan.measure_workers = static_cast<int>(
      std::clamp<std::size_t>(room / each, 1, static_cast<std::size_t>(std::max(d.threads, 1))));
  Strip strip{stack::block_px, tile_columns(d, stack::block_px)};
  // Larger strips read less margin, until their samples leave the cache.
  for (int rows = 2 * stack::block_px; rows <= 512; rows += stack::block_px) {
    const Strip larger{rows, tile_columns(d, rows)};
    const std::size_t needed = combine_bytes(d, larger, d.threads);
    if (needed > room || needed > most_strip_bytes) break;
    strip = larger;
    if (rows >= d.canvas.height) break;
  }
  plan.strip_rows = strip.rows;
  plan.tile_columns = strip.columns;
  plan.expected_bytes =
      fixed_bytes(d) + std::max(static_cast<std::size_t>(plan.measure_workers) * measure_bytes(d),
                                combine_bytes(d, strip, d.threads));
  return plan;
}

}  // namespace coldframe::pipeline
