/// \file
/// Pictures whose numbers survive: 8-bit codes that a page can turn back into values, so that the
/// stretch is chosen by the one who looks.
///
/// Light is coded by an inverse hyperbolic sine about the sky (Lupton, Gunn & Szalay 1999, AJ 118,
/// 1406): code = 40 + 20 asinh((value - level) / (2 noise)), a step of a tenth of the noise at the
/// sky and of 5 % far above it. Figures (uncertainty, exposure, counts) are coded linearly.
/// Code 0 stands for 'no number'.
#pragma once

#include <array>

#include "coldframe/core/image.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::view {

struct LayerPlane {
  double level = 0.0;  ///< light: the sky; figures: value of code 1
  double noise = 1.0;  ///< light: of a pixel; figures: value per code
};

struct Layer {
  Picture picture;  ///< top row first
  bool light = true;
  std::array<LayerPlane, 3> planes;
};

inline constexpr double layer_zero = 40.0;
inline constexpr double layer_steps = 20.0;

[[nodiscard]] Layer encode_light(const Image& image);
/// Between the 0.1 % and 99.9 % quantiles of the finite values; what lies beyond takes their code.
[[nodiscard]] Layer encode_figure(const Image& image);
/// Value of a code; NaN for 0.
[[nodiscard]] double decode(const Layer& layer, int plane, std::uint8_t code) noexcept;

/// A small grey picture of a sub's preview laid on the result's grid, for leafing through subs.
/// `preview`: residual in units of its noise, `bin` sub pixels a side; `to_canvas`: sub -> canvas.
/// `longest`: of the picture's sides, px. Few grey levels, so that hundreds of them stay small.
[[nodiscard]] Picture sub_thumbnail(const Grid<float>& preview, int bin, const Transform& to_canvas,
                                    Size canvas, int longest);

}  // namespace coldframe::view
