/// \file
/// From linear pixels to a picture: asinh stretch and PNG.
///
/// Colour-preserving asinh after Lupton et al. 2004 (PASP 116, 133):
/// I = (r+g+b)/3, F = asinh(Q (I - m)/s)/Q, (R,G,B) = (r,g,b) F/I, clipped to the
/// largest channel.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/image.hpp"

namespace coldframe::view {

/// How pixel values become light on a display: (value - black) * gain per plane,
/// then the asinh of the mean of the planes, scaled so that `white` gives 1.
struct Stretch {
  double black[3] = {0, 0, 0};  ///< value shown as black, per plane
  double gain[3] = {1, 1, 1};   ///< colour balance, applied after black
  double softening = 1.0;       ///< s: linear below s/q, logarithmic above
  double q = 8.0;               ///< strength
  double white = 1.0;           ///< intensity (after black and gain) that maps to 1
  double saturation = 1.0;      ///< distance of colours from grey, times this; hues stay
};

struct StretchOptions {
  double q = 8.0;                 ///< strength; more raises the faint light (and the sky)
  double black_sigma = 3.0;       ///< black point this many sigma below the sky
  double highlight_share = 2e-4;  ///< share of pixels allowed to be white
  double background = 0.035;  ///< linear light of the sky at q = 8: 0.035 is 53 of 255 when encoded
  /// Given gains of the three planes; zeros: found as `balance` says.
  double gain[3] = {0, 0, 0};
  bool balance = true;  ///< three planes: make the mean colour of what is far above the sky neutral
};
/// Black point, balance and softening from a regular sample of the pixels (NaN
/// ignored). The sky gets `background` in every plane, whatever its colour; the
/// softening follows from the noise; white is never less than 100 times as far above
/// black as the sky is, so that an empty field shows as dark sky and not as amplified noise.
[[nodiscard]] Stretch automatic_stretch(const Image& image, const StretchOptions& options = {});

/// 8-bit picture, top row first (FITS row order is turned over), sRGB encoded.
struct Picture {
  int width = 0;
  int height = 0;
  int channels = 1;  ///< 1 or 3
  std::vector<std::uint8_t> pixels;
};
/// Pixels without a number in any plane come out black.
[[nodiscard]] Picture render(const Image& image, const Stretch& stretch);

/// Light of a display, 0 to 1, linear; top row first, channels interleaved.
struct LightPicture {
  int width = 0;
  int height = 0;
  int channels = 1;  ///< 1 or 3
  std::vector<float> light;
};
/// What `render` encodes; `stretched` false: (value - black) gain / white, cut to 0..1.
[[nodiscard]] LightPicture render_light(const Image& image, const Stretch& stretch,
                                        bool stretched = true);

/// 8 or 16 bits a channel, sRGB encoded and so marked; `note` becomes the file's description.
/// Throws Error(io).
[[nodiscard]] std::string encode_png(const LightPicture& picture, int bits,
                                     const std::string& note = {});
/// Bits a channel: 8 or 16 (integers) or 32 (floats); deflate compressed. `linear`: light as it is,
/// else sRGB encoded, which the file says, with `note` after it. Throws Error(io).
[[nodiscard]] std::string encode_tiff(const LightPicture& picture, int bits, bool linear,
                                      const std::string& note = {});

/// Mean over factor x factor pixels (NaN ignored; NaN where nothing else is). A
/// remainder narrower than `factor` at the right and upper edge is left out.
[[nodiscard]] Image bin_image(const Image& image, int factor);

/// A PNG file's bytes, with an sRGB chunk. Throws Error(io) when the encoder fails.
[[nodiscard]] std::string encode_png(const Picture& picture);

/// sRGB transfer function (IEC 61966-2-1), linear 0..1 -> encoded 0..1.
[[nodiscard]] double srgb_encode(double linear) noexcept;

/// The colour asinh of the paper on one triple: r, g, b in, out; unit maximum.
void lupton_asinh(double rgb[3], double q, double softening, double minimum) noexcept;

[[nodiscard]] std::string base64(std::string_view bytes);

}  // namespace coldframe::view
