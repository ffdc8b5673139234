#include <algorithm>
#include <cmath>
#include <limits>
#include <utility>

#include "coldframe/core/error.hpp"
#include "coldframe/view/picture.hpp"
#include "srgb.hpp"

namespace coldframe::view {
namespace {

/// F(I)/I of Lupton et al. 2004 with its limit at I = 0; 0 for darkness.
double colour_factor(double intensity, double q, double softening) noexcept {
  if (!(intensity > 0.0)) return 0.0;
  const double x = q * intensity / softening;
  return x < 1e-8 ? 1.0 / softening : std::asinh(x) / (q * intensity);
}

/// Brings the largest channel to 1 when it is above: hue and ratios stay.
void fit_into_unit(double rgb[3]) noexcept {
  const double largest = std::max({rgb[0], rgb[1], rgb[2]});
  if (!(largest > 1.0)) return;
  for (int p = 0; p < 3; ++p) rgb[p] /= largest;
}

// Towards or away from grey of the same intensity: the hue stays.
void saturate(double rgb[3], double saturation) noexcept {
  if (saturation == 1.0) return;
  const double grey = (rgb[0] + rgb[1] + rgb[2]) / 3.0;
  for (int p = 0; p < 3; ++p) rgb[p] = std::max(grey + saturation * (rgb[p] - grey), 0.0);
}

class Renderer {
 public:
  Renderer(const Stretch& stretch, bool stretched) noexcept
      : stretch_(stretch),
        stretched_(stretched),
        scale_(stretched ? stretch.q / std::asinh(stretch.q * stretch.white / stretch.softening)
                         : 1.0 / stretch.white) {}

  void mono_row(std::span<const float> values, float* out) const noexcept {
    for (std::size_t x = 0; x < values.size(); ++x) {
      const double v = (static_cast<double>(values[x]) - stretch_.black[0]) * stretch_.gain[0];
      const double light = scale_ * std::max(v, 0.0) * factor(v);
      out[x] = std::isnan(v) ? 0.0F : static_cast<float>(std::min(light, 1.0));
    }
  }

  void colour_row(const Image& image, int y, float* out) const noexcept {
    const std::span<const float> rows[3] = {image.plane(0).row(y), image.plane(1).row(y),
                                            image.plane(2).row(y)};
    for (std::size_t x = 0; x < rows[0].size(); ++x) {
      double rgb[3];
      double sum = 0.0;
      for (int p = 0; p < 3; ++p) {
        rgb[p] = (static_cast<double>(rows[p][x]) - stretch_.black[p]) * stretch_.gain[p];
        sum += rgb[p];
        // Noise below black in one plane must not tint the others.
        rgb[p] = std::max(rgb[p], 0.0);
      }
      const double all = scale_ * factor(sum / 3.0);
      for (double& channel : rgb) channel = std::isnan(sum) ? 0.0 : channel * all;
      saturate(rgb, stretch_.saturation);
      fit_into_unit(rgb);
      for (int p = 0; p < 3; ++p) {
        out[3 * x + static_cast<std::size_t>(p)] = static_cast<float>(rgb[p]);
      }
    }
  }

 private:
  [[nodiscard]] double factor(double intensity) const noexcept {
    if (!stretched_) return intensity > 0.0 ? 1.0 : 0.0;
    return colour_factor(intensity, stretch_.q, stretch_.softening);
  }

  Stretch stretch_;
  bool stretched_;
  double scale_;
};

void check(const Stretch& stretch) {
  if (stretch.softening > 0.0 && stretch.white > 0.0 && stretch.q > 0.0) return;
  throw Error(ErrorKind::usage, "", "a stretch needs positive softening, white point and strength",
              "take the automatic one");
}

}  // namespace

void lupton_asinh(double rgb[3], double q, double softening, double minimum) noexcept {
  const double intensity = (rgb[0] + rgb[1] + rgb[2]) / 3.0 - minimum;
  const double factor = colour_factor(intensity, q, softening);
  // The paper divides F(I) by the intensity itself, the minimum included.
  const double ratio = intensity > 0.0 ? intensity / (intensity + minimum) : 0.0;
  for (int p = 0; p < 3; ++p) rgb[p] *= factor * ratio;
  fit_into_unit(rgb);
}

LightPicture render_light(const Image& image, const Stretch& stretch, bool stretched) {
  check(stretch);
  LightPicture picture;
  picture.width = image.width();
  picture.height = image.height();
  picture.channels = image.planes() == 3 ? 3 : 1;
  const auto pitch =
      static_cast<std::size_t>(picture.width) * static_cast<std::size_t>(picture.channels);
  picture.light.resize(pitch * static_cast<std::size_t>(picture.height));
  const Renderer renderer(stretch, stretched);
  for (int y = 0; y < picture.height; ++y) {
    // FITS rows run upwards, pictures downwards.
    float* out = picture.light.data() + pitch * static_cast<std::size_t>(picture.height - 1 - y);
    if (picture.channels == 3) {
      renderer.colour_row(image, y, out);
    } else {
      renderer.mono_row(image.plane(0).row(y), out);
    }
  }
  return picture;
}

Picture render(const Image& image, const Stretch& stretch) {
  const auto light = render_light(image, stretch);
  Picture picture{light.width, light.height, light.channels, {}};
  picture.pixels.reserve(light.light.size());
  const SrgbTable code;
  for (const float value : light.light) picture.pixels.push_back(code(static_cast<double>(value)));
  return picture;
}

Image bin_image(const Image& image, int factor) {
  if (factor <= 1 || image.empty()) return image.clone();
  const Size size{std::max(image.width() / factor, std::min(image.width(), 1)),
                  std::max(image.height() / factor, std::min(image.height(), 1))};
  Image binned(size, image.planes());
  for (int p = 0; p < image.planes(); ++p) {
    const auto from = std::as_const(image).plane(p);
    const auto to = binned.plane(p);
    for (int j = 0; j < size.height; ++j) {
      const int y1 = std::min((j + 1) * factor, from.height());
      for (int i = 0; i < size.width; ++i) {
        const int x1 = std::min((i + 1) * factor, from.width());
        double sum = 0.0;
        int count = 0;
        for (int y = j * factor; y < y1; ++y) {
          for (int x = i * factor; x < x1; ++x) {
            const double value = static_cast<double>(from(x, y));
            if (!std::isfinite(value)) continue;
            sum += value;
            ++count;
          }
        }
        to(i, j) =
            count > 0 ? static_cast<float>(sum / count) : std::numeric_limits<float>::quiet_NaN();
      }
    }
  }
  return binned;
}

}  // namespace coldframe::view
