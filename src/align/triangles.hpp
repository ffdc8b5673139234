/// \file
/// Triangles of stars and their votes on star pairs.
///
/// Invariants (b/a, c/a) of the sides a >= b >= c (Valdes et al. 1995, PASP 107,
/// 1119); nearly isosceles and needle-like triangles are left out because their
/// vertices cannot be told apart (Groth 1986, AJ 91, 1244).
#pragma once

#include <array>
#include <cstdint>
#include <span>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe::align {

struct Triangle {
  /// Opposite the longest, the middle and the shortest side.
  std::array<std::uint32_t, 3> vertex{};
  double longest = 0.0;  ///< side a, pixels
  Point shape;           ///< (b/a, c/a)
  bool left_handed = false;
};

struct TriangleOptions {
  std::size_t stars = 60;      ///< brightest stars that take part
  std::size_t neighbours = 6;  ///< each star with pairs of its nearest ones
  std::size_t all_of = 16;     ///< every triangle of this many brightest stars
};

/// Sets `out` and says whether the three points form a usable triangle.
[[nodiscard]] bool make_triangle(std::span<const Point> points, std::array<std::uint32_t, 3> corner,
                                 Triangle& out) noexcept;

/// Triangles at several depths (the brightest n/4, n/2, n stars), so that lists that
/// go unequally deep or cover unequal pieces of sky have triangles in common. Points
/// are sorted by falling brightness. No triangle occurs twice.
[[nodiscard]] std::vector<Triangle> make_triangles(std::span<const Point> points,
                                                   const TriangleOptions& options);

/// A pair of alike triangles.
struct TriangleMatch {
  std::uint32_t sub = 0;
  std::uint32_t reference = 0;
  bool mirrored = false;
  std::uint32_t votes = 0;  ///< sum over its three star pairs
};

struct TriangleMatchOptions {
  bool allow_mirror = true;
  double min_scale = 0.25;
  double max_scale = 4.0;
  double position_error_px = 0.3;
};

/// All alike pairs, most voted first (ties by index).
[[nodiscard]] std::vector<TriangleMatch> match_triangles(std::span<const Triangle> sub,
                                                         std::span<const Triangle> reference,
                                                         std::size_t sub_stars,
                                                         std::size_t reference_stars,
                                                         const TriangleMatchOptions& options);

}  // namespace coldframe::align
