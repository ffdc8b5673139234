/// \file
/// Drizzle: every input pixel is shrunk to a square drop, carried to the output grid and
/// shared out by exact overlap areas (Fruchter & Hook 2002, PASP 114, 144).
///
/// Works on one output tile at a time. Subs are added in a fixed order and each sub's samples
/// are taken in raster order, with arithmetic in absolute output coordinates: the same bits for
/// any tiling and any number of threads (one tile belongs to one thread).
///
/// Output coordinates: `sub_to_output` maps a sub's pixel centres to output pixel centres;
/// `Transform::then(canvas_grid(...))` makes it from a transform to the reference. The drop's image
/// is taken as the parallelogram of the transform's linear part at the drop's centre (exact for
/// similarity and affine; the curvature within one pixel is left out).
///
/// Values are per area: sample v spread over A output pixels is worth v/A in each, so the
/// total light of a star does not depend on the output scale.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <vector>

#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::align {

struct DrizzleOptions {
  double drop_size = 0.7;  ///< side of a drop in input pixels, in (0, 1]
  /// Samples with one of these bits are left out. Saturated ones take part by default and are
  /// flagged, so that a core clipped in every sub is no hole.
  std::uint8_t left_out =
      static_cast<std::uint8_t>(mask_bit::unusable & ~unsigned{mask_bit::saturated});
  /// An output pixel carries a bit where samples with it hold more than this share of the
  /// squared weights.
  double mask_share = 0.1;

  /// Every fault in words; empty when usable.
  [[nodiscard]] std::vector<std::string> faults() const;
};

/// Calibrated, normalised pixels of one sub.
struct DrizzleSamples {
  PlaneView<const float> values;       ///< pixels of `region`
  PlaneView<const std::uint8_t> mask;  ///< likewise
  PlaneView<const float> variance;  ///< of each value, likewise; empty: `variance_per_px` for all
  double variance_per_px = 0.0;
  Rect region;  ///< what the views hold, in the sub's frame
  Transform sub_to_output;
  /// Mosaic: the sample goes to the output plane of its colour. `none`: all go to `plane`.
  CfaPattern pattern = CfaPattern::none;
  int plane = 0;
  std::array<double, 3> weight{1.0, 1.0, 1.0};  ///< of this sub's samples, by output plane
};

/// The pixels of the sub (0-based, cut to its frame) whose drops can touch `destination`.
[[nodiscard]] Rect drizzle_region(const Transform& sub_to_output, const Rect& destination,
                                  Size sub);

/// Output tile under construction.
class DrizzleTile {
 public:
  /// Throws coldframe::Error(usage) on unusable options or a number of planes not 1 or 3.
  DrizzleTile(const Rect& destination, int planes, const DrizzleOptions& options);

  /// Samples outside the views are not looked at; non-finite values are left out.
  /// Throws coldframe::Error(usage) when views and region differ in size.
  void add(const DrizzleSamples& samples);

  /// Views of the tile's size; any may be empty. Where nothing fell, value and variance are 0
  /// and the mask holds `outside` and the bits of the samples left out there.
  struct Result {
    PlaneView<float> values;
    PlaneView<float> variance;  ///< of the value as written (neighbours are correlated)
    /// Sum of weights times overlap in output pixels, divided by drop_size^2: averages to the
    /// sum of the subs' weights where coverage is even (to its colour's share for a mosaic).
    PlaneView<float> weight;
    PlaneView<std::uint8_t> mask;
    PlaneView<std::uint16_t> subs;  ///< how many subs put light into the pixel
  };
  void finish(int plane, const Result& result) const;

  [[nodiscard]] const Rect& destination() const noexcept { return destination_; }
  /// Memory per output pixel and plane while the tile is open.
  [[nodiscard]] static std::size_t bytes_per_pixel() noexcept { return sizeof(Cell); }

 private:
  struct Cell {
    double value = 0.0;     ///< sum of w a v
    double weight = 0.0;    ///< sum of w a
    double variance = 0.0;  ///< sum of (w a)^2 var
    float squares = 0.0F;   ///< sum of (w a)^2
    float flagged = 0.0F;   ///< its part from samples that carry a bit
    std::uint16_t subs = 0;
    std::uint16_t last = 0;      ///< number of the sub seen last
    std::uint8_t used_bits = 0;  ///< of flagged samples
    std::uint8_t lost_bits = 0;  ///< of samples left out
  };
  struct Drop;
  struct Scratch;
  void put(const Drop& drop, Scratch& scratch, int plane) noexcept;

  Rect destination_;
  DrizzleOptions options_;
  int planes_ = 1;
  std::uint16_t sub_ = 0;
  std::vector<Cell> cells_;  ///< by plane, row, column
};

/// The grid of an output canvas: reference coordinates to output pixels `scale` times finer,
/// whose first pixel's outer corner is that of reference pixel `origin`.
[[nodiscard]] Transform canvas_grid(double scale, Point origin = {}) noexcept;

/// By how much the noise on large scales exceeds what single pixels show, for evenly spread
/// dithers: drop and output pixel in input pixels (Fruchter & Hook 2002, section 7).
[[nodiscard]] double drizzle_noise_ratio(double drop_size, double output_pixel) noexcept;

}  // namespace coldframe::align
