// What demosaicing does to the variance of white noise.
#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/random.hpp"
#include "demosaic_rows.hpp"

namespace coldframe::sensor {
namespace {

constexpr int side = 384;
constexpr int edge = 16;  // mirrored samples are no independent noise
constexpr std::uint32_t stream = 0x64656d6f;

SiteGains measured_gains(CfaPattern pattern, Demosaic method, const std::array<double, 3>& sd) {
  const Size size{side, side};
  Grid<float> noise(size);
  RandomStream random(1, stream, 0);
  SampleNoise known;
  for (std::size_t c = 0; c < 3; ++c) known.variance[c] = static_cast<float>(sd[c] * sd[c]);
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      noise(x, y) = static_cast<float>(sd[static_cast<std::size_t>(cfa_colour(pattern, x, y))] *
                                       random.normal());
    }
  }
  ColourPlanes out(size);
  const Mask good(size);
  Mask bits[3] = {Mask(size), Mask(size), Mask(size)};
  PlaneView<float> planes[3] = {out.plane[0].view(), out.plane[1].view(), out.plane[2].view()};
  PlaneView<std::uint8_t> masks[3] = {bits[0].view(), bits[1].view(), bits[2].view()};
  demosaic_band(noise.cview(), good.cview(), whole(size), size, pattern, method, whole(size),
                planes, masks, known);
  SiteGains gains{};
  constexpr double per_site = (side - 2.0 * edge) * (side - 2.0 * edge) / 4.0;
  for (std::size_t p = 0; p < 3; ++p) {
    for (int y = edge; y < side - edge; ++y) {
      for (int x = edge; x < side - edge; ++x) {
        const auto value = static_cast<double>(out.plane[p](x, y));
        gains[p][static_cast<std::size_t>((x & 1) + 2 * (y & 1))] +=
            value * value / (per_site * sd[p] * sd[p]);
      }
    }
  }
  return gains;
}

SiteGains linear_gains(CfaPattern pattern, Demosaic method) {
  SiteGains gains{};
  const Size size{16, 16};
  Grid<float> ones(size);
  for (int y = 0; y < size.height; ++y) std::fill(ones.row(y).begin(), ones.row(y).end(), 1.0F);
  ColourPlanes out(size);
  PlaneView<float> planes[3] = {out.plane[0].view(), out.plane[1].view(), out.plane[2].view()};
  demosaic_variance_band(ones.cview(), whole(size), size, pattern, method, {}, whole(size), planes);
  for (std::size_t p = 0; p < 3; ++p) {
    for (std::size_t site = 0; site < 4; ++site) {
      gains[p][site] = static_cast<double>(
          out.plane[p](8 + static_cast<int>(site & 1U), 8 + static_cast<int>(site >> 1U)));
    }
  }
  return gains;
}

}  // namespace

SiteGains demosaic_site_gains(CfaPattern pattern, Demosaic method,
                              const std::array<double, 3>& sd) {
  if (method == Demosaic::half_size) {
    SiteGains gains{};
    gains[0].fill(1.0);
    gains[1].fill(0.5);
    gains[2].fill(1.0);
    return gains;
  }
  if (!mixes_colours(method)) return linear_gains(pattern, method);
  std::array<double, 3> safe = sd;
  for (double& value : safe) value = value > 0.0 && std::isfinite(value) ? value : 1.0;
  return measured_gains(pattern, method, safe);
}

std::string_view to_string(Demosaic method) noexcept {
  switch (method) {
    case Demosaic::bilinear:
      return "bilinear";
    case Demosaic::gradient_corrected:
      return "gradient-corrected";
    case Demosaic::lmmse:
      return "lmmse";
    case Demosaic::own_lattice:
      return "own-lattice";
    case Demosaic::half_size:
      return "half-size";
  }
  return "";
}

DemosaicNoise demosaic_noise(Demosaic method) noexcept {
  switch (method) {
    case Demosaic::bilinear:
      // Per cell of four pixels (weights squared; CFA entry of the reference values):
      // green 1, 1, 1/4, 1/4; red and blue 1, 1/2, 1/2, 1/4.
      return {{0.5625, 0.625, 0.5625}};
    case Demosaic::own_lattice:
      return lattice_noise();
    case Demosaic::gradient_corrected:
      // Measured on white noise (the direction is chosen by the data, so no exact figure exists).
      return {{0.953, 0.813, 0.953}};
    case Demosaic::lmmse:
      return {{0.917, 0.811, 0.917}};
    case Demosaic::half_size:
      return {{1.0, 0.5, 1.0}};
  }
  return {};
}

}  // namespace coldframe::sensor
