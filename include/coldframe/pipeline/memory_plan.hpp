/// \file
/// Turning one order of memory into tile and worker sizes.
///
/// The floor, in bytes, for frames of P pixels (C = 3 for a mosaic, else 1):
///   measuring: base + 300 KiB * N + resident + sets * 9 P + (24 mono, 30 mosaic) P
///   combining: base + 300 KiB * N + resident + sets * 9 P + smallest strip (block_px rows of N
///   subs)
/// where `sets` counts different sets of masters used at once. An order below the
/// larger of the two is refused with that number.
#pragma once

#include <cstddef>
#include <string_view>

#include "coldframe/core/geometry.hpp"
#include "coldframe/sensor/demosaic.hpp"

namespace coldframe::pipeline {

struct MemoryDemand {
  Size frame;                 ///< largest raw frame
  Size canvas;                ///< result grid
  int planes = 1;             ///< of the result: 1 or 3
  std::size_t subs = 1;       ///< combined into one result
  std::size_t sets = 1;       ///< calibration sets held at once
  std::size_t resident = 0;   ///< bytes held by opened compressed files and the kept plane
  double shrink = 1.0;        ///< most sub pixels per canvas pixel, along one axis
  double rotation_rad = 0.0;  ///< largest turn between a sub and the reference (mod 180 degrees)
  int threads = 1;
  sensor::Demosaic demosaic = sensor::Demosaic::own_lattice;  ///< counts with three planes
};

struct MemoryPlan {
  int measure_workers = 1;  ///< subs measured at the same time
  int strip_rows = 32;      ///< output rows of one pass over the subs; multiple of block_px
  int tile_columns = 0;     ///< 0: full width
  std::size_t floor_bytes = 0;
  std::size_t expected_bytes = 0;
};

/// Memory the process needs before any pixel: code, libraries, star lists.
inline constexpr std::size_t base_bytes = std::size_t{96} << 20U;

/// The plane of the result that stays in memory to be measured; part of `resident`.
[[nodiscard]] inline std::size_t kept_plane_bytes(Size canvas) noexcept {
  return static_cast<std::size_t>(canvas.count()) * (sizeof(float) + sizeof(std::uint8_t));
}

/// Throws Error(usage) when `order` is below the floor; says the least that would do.
[[nodiscard]] MemoryPlan plan_memory(const MemoryDemand& demand, std::size_t order);

/// The least order that works.
[[nodiscard]] std::size_t memory_floor(const MemoryDemand& demand) noexcept;

}  // namespace coldframe::pipeline
