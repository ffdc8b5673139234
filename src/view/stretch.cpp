#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"
#include "coldframe/view/picture.hpp"
#include "row_noises.hpp"

namespace coldframe::view {
namespace {

constexpr std::int64_t sample_size = 400'000;
constexpr int noise_rows = 96;
// An asinh cannot show the sky darker than a straight line to white would: with white at
// 100 times the depth of black below the sky there is room for the curve to rise.
constexpr double least_white_depths = 100.0;
constexpr double deepest_sigma = 8.0;
constexpr std::size_t least_bright = 50;

/// Pixels on a regular lattice, every plane at the same places; only those with numbers in all
/// planes.
std::vector<std::vector<double>> sample(const Image& image) {
  const auto planes = static_cast<std::size_t>(image.planes());
  std::vector<std::vector<double>> values(planes);
  const double share = static_cast<double>(image.size().count()) / static_cast<double>(sample_size);
  const int step = std::max(static_cast<int>(std::ceil(std::sqrt(share))), 1);
  for (int y = step / 2; y < image.height(); y += step) {
    // Shifted from row to row, or a bad column could fill a whole share of the sample.
    for (int x = (y / step) % step; x < image.width(); x += step) {
      bool finite = true;
      for (std::size_t p = 0; p < planes; ++p) {
        finite = finite && std::isfinite(image.plane(static_cast<int>(p))(x, y));
      }
      for (std::size_t p = 0; finite && p < planes; ++p) {
        values[p].push_back(static_cast<double>(image.plane(static_cast<int>(p))(x, y)));
      }
    }
  }
  return values;
}

/// Noise of a pixel: median over rows of an estimate that is blind to smooth light.
double pixel_noise(PlaneView<const float> plane) {
  auto noise = row_noises(plane, noise_rows);
  std::erase_if(noise, [](double n) { return !(n > 0.0); });
  return noise.empty() ? 0.0 : median_in_place(noise);
}

struct PlaneSky {
  double level = 0.0;
  double noise = 0.0;  ///< of a pixel
  double depth = 0.0;  ///< from the level down to where hardly any sky is left
};

PlaneSky sky_of(const std::vector<double>& values, PlaneView<const float> plane,
                double black_sigma) {
  ClipOptions clip;
  clip.kappa_low = 4.0;
  clip.kappa_high = 2.5;
  clip.use_mad = true;
  const auto clipped = sigma_clipped(values, clip);
  PlaneSky sky;
  sky.level = clipped.median;
  sky.noise = pixel_noise(plane);
  if (!(sky.noise > 0.0)) sky.noise = clipped.sd;
  // Under a gradient the sky reaches lower than its noise tells: do not clip the
  // dark side, but let no dead corner pull the black point down without limit.
  std::vector<double> copy = values;
  const double lowest = sky.level - quantile_in_place(copy, 0.001);
  const double deepest = std::min((black_sigma + 1.0) * clipped.sd, deepest_sigma * sky.noise);
  sky.depth = std::max(black_sigma * sky.noise, std::min(lowest, deepest));
  return sky;
}

/// Gains that make the mean light of pixels far above the sky neutral; the middle plane keeps 1.
void balance(const std::vector<std::vector<double>>& values, const std::vector<PlaneSky>& sky,
             double (&gain)[3]) {
  std::vector<double> red;
  std::vector<double> blue;
  for (std::size_t i = 0; i < values[0].size(); ++i) {
    double above[3];
    bool bright = true;
    for (std::size_t p = 0; p < 3; ++p) {
      above[p] = values[p][i] - sky[p].level;
      bright = bright && above[p] > 10.0 * sky[p].noise;
    }
    if (!bright) continue;
    red.push_back(above[1] / above[0]);
    blue.push_back(above[1] / above[2]);
  }
  if (red.size() < least_bright) return;
  gain[0] = std::clamp(median_in_place(red), 0.25, 4.0);
  gain[2] = std::clamp(median_in_place(blue), 0.25, 4.0);
}

/// The softening that shows the sky, `depth` above black, at `background`:
/// asinh(q depth/s) = background asinh(q white/s), which falls steadily with s.
double softening_for(double depth, double white, double q, double background) {
  double low = std::log(white * 1e-9);
  double high = std::log(white * 1e3);
  for (int i = 0; i < 80; ++i) {
    const double middle = 0.5 * (low + high);
    const double s = std::exp(middle);
    const bool too_bright = std::asinh(q * depth / s) > background * std::asinh(q * white / s);
    (too_bright ? low : high) = middle;
  }
  return std::exp(0.5 * (low + high));
}

double white_point(const std::vector<std::vector<double>>& values, const Stretch& stretch,
                   double share) {
  std::vector<double> intensity(values[0].size(), 0.0);
  for (std::size_t p = 0; p < values.size(); ++p) {
    for (std::size_t i = 0; i < intensity.size(); ++i) {
      intensity[i] +=
          (values[p][i] - stretch.black[p]) * stretch.gain[p] / static_cast<double>(values.size());
    }
  }
  return quantile_in_place(intensity, std::clamp(1.0 - share, 0.0, 1.0));
}

}  // namespace

Stretch automatic_stretch(const Image& image, const StretchOptions& options) {
  Stretch stretch;
  stretch.q = options.q;
  if (image.empty()) return stretch;
  const auto values = sample(image);
  if (values[0].empty()) return stretch;
  std::vector<PlaneSky> sky;
  for (std::size_t p = 0; p < values.size(); ++p) {
    sky.push_back(sky_of(values[p], image.plane(static_cast<int>(p)), options.black_sigma));
  }
  if (sky.size() == 3 && options.gain[0] > 0.0) {
    std::copy(std::begin(options.gain), std::end(options.gain), std::begin(stretch.gain));
  } else if (sky.size() == 3 && options.balance) {
    balance(values, sky, stretch.gain);
  }
  double depth = 0.0;
  for (std::size_t p = 0; p < sky.size(); ++p) {
    depth = std::max(depth, sky[p].depth * stretch.gain[p]);
  }
  if (!(depth > 0.0))
    depth = std::max(std::abs(sky[0].level) * 1e-3, 1e-6);  // a picture without noise
  // One depth for all planes makes the sky neutral.
  for (std::size_t p = 0; p < sky.size(); ++p)
    stretch.black[p] = sky[p].level - depth / stretch.gain[p];
  stretch.white =
      std::max(white_point(values, stretch, options.highlight_share), least_white_depths * depth);
  // Solved at the usual strength: a stronger one then raises the sky too.
  stretch.softening = softening_for(depth, stretch.white, StretchOptions{}.q, options.background);
  return stretch;
}

}  // namespace coldframe::view
