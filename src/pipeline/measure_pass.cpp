#include "coldframe/pipeline/measure_pass.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <span>

#include "coldframe/core/statistics.hpp"
#include "coldframe/pipeline/measure_buffers.hpp"
#include "coldframe/sensor/calibrate.hpp"
#include "noise_tails.hpp"

namespace coldframe::pipeline {
namespace {

constexpr int read_rows = 128;

struct Channel {
  int step = 1;
  int x = 0;
  int y = 0;
};

// The samples of one colour as a regular grid; of the two greens the one in the red rows.
Channel channel_of(CfaPattern cfa, int plane) noexcept {
  if (cfa == CfaPattern::none) return {};
  for (int y = 0; y < 2; ++y) {
    for (int x = 0; x < 2; ++x) {
      if (cfa_colour(cfa, x, y) == plane) return {2, x, y};
    }
  }
  return {};
}

ChannelSky measure_channel(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                           const Channel& channel, stars::SkyMeshOptions options, Threads threads) {
  ChannelSky sky;
  sky.step = channel.step;
  sky.offset_x = channel.x;
  sky.offset_y = channel.y;
  if (channel.step == 1) {
    sky.mesh = stars::measure_sky(image, mask, options, threads);
    return sky;
  }
  const int width = (image.width() - channel.x + 1) / 2;
  const int height = (image.height() - channel.y + 1) / 2;
  Grid<float> samples(width, height);
  Mask bits(width, height);
  for (int y = 0; y < height; ++y) {
    const auto from = image.row(2 * y + channel.y);
    const auto from_bits = mask.row(2 * y + channel.y);
    const auto to = samples.row(y);
    const auto to_bits = bits.row(y);
    for (int x = 0; x < width; ++x) {
      const auto source = static_cast<std::size_t>(2 * x + channel.x);
      to[static_cast<std::size_t>(x)] = from[source];
      to_bits[static_cast<std::size_t>(x)] = from_bits[source];
    }
  }
  options.cell_px = std::max(options.cell_px / 2, 16);
  sky.mesh = stars::measure_sky(samples.cview(), bits.cview(), options, threads);
  return sky;
}

// Mean of good pixels per cell of bin x bin; cells with fewer than half good are masked. The sky's
// slopes stay: a mesh would take some of a galaxy's light, another share in every dithered sub.
void fill_preview(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                  SubMeasurement& out, Threads threads) {
  const int bin = out.preview_bin;
  const int width = image.width() / bin;
  const int height = image.height() / bin;
  out.preview = Grid<float>(width, height);
  out.preview_mask = Mask(width, height);
  constexpr std::uint8_t barred = mask_bit::defect | mask_bit::not_finite;
  parallel_bands(threads, height, 8, [&](int j0, int j1) {
    // Sums of columns first: neighbouring columns are added together.
    const auto columns = static_cast<std::size_t>(width) * static_cast<std::size_t>(bin);
    std::vector<float> sums(columns);
    std::vector<float> counts(columns);
    for (int j = j0; j < j1; ++j) {
      std::fill(sums.begin(), sums.end(), 0.0F);
      std::fill(counts.begin(), counts.end(), 0.0F);
      for (int y = j * bin; y < (j + 1) * bin; ++y) {
        const float* const values = image.row(y).data();
        const std::uint8_t* const bits = mask.row(y).data();
        for (std::size_t x = 0; x < columns; ++x) {
          const bool good = (bits[x] & barred) == 0;
          sums[x] += good ? values[x] : 0.0F;
          counts[x] += good ? 1.0F : 0.0F;
        }
      }
      for (int i = 0; i < width; ++i) {
        double sum = 0.0;
        float good = 0.0F;
        for (int x = i * bin; x < (i + 1) * bin; ++x) {
          sum += static_cast<double>(sums[static_cast<std::size_t>(x)]);
          good += counts[static_cast<std::size_t>(x)];
        }
        if (2.0F * good < static_cast<float>(bin * bin)) {
          out.preview_mask(i, j) = mask_bit::outside;
          continue;
        }
        out.preview(i, j) = static_cast<float>(sum / static_cast<double>(good));
      }
    }
  });
}

// Level 0 and, over short distances, noise 1: neighbours' differences do not see the sky's slopes.
void scale_preview(SubMeasurement& out) {
  std::vector<float> levels;
  std::vector<float> differences;
  // Both are known to better than 0.5 % by then.
  constexpr std::int64_t plenty = 120'000;
  const int step = std::max(static_cast<int>(out.preview.size().count() / plenty), 1);
  for (int j = 0; j < out.preview.height(); j += step) {
    for (int i = 0; i < out.preview.width(); ++i) {
      if (out.preview_mask(i, j) != 0) continue;
      levels.push_back(out.preview(i, j));
      constexpr int apart = 3;  // further than a star's or a demosaicing kernel's reach
      if (i < apart || out.preview_mask(i - apart, j) != 0) continue;
      differences.push_back(out.preview(i, j) - out.preview(i - apart, j));
    }
  }
  if (levels.size() < 10) return;
  const auto level = static_cast<double>(median_in_place(std::span<float>(levels)));
  const float typical = median_in_place(std::span<float>(differences));
  for (float& difference : differences) difference = std::fabs(difference - typical);
  const double noise = mad_to_sigma *
                       static_cast<double>(median_in_place(std::span<float>(differences))) /
                       std::numbers::sqrt2;
  for (int j = 0; j < out.preview.height(); ++j) {
    for (int i = 0; i < out.preview.width(); ++i) {
      if (out.preview_mask(i, j) != 0) continue;
      const double above = static_cast<double>(out.preview(i, j)) - level;
      out.preview(i, j) = static_cast<float>(noise > 0.0 ? above / noise : above);
    }
  }
}

// One colour's samples, a quarter of a mosaic (both greens apart): neighbours of the same colour.
std::vector<stack::HitPixel> particles_of_lattice(const Grid<float>& image, const Mask& mask,
                                                  const SubMeasurement& measured, Point first,
                                                  const ChannelSky& sky, double variance_per_unit,
                                                  Threads threads) {
  const int x0 = static_cast<int>(first.x), y0 = static_cast<int>(first.y);
  Grid<float> samples((image.width() - x0 + 1) / 2, (image.height() - y0 + 1) / 2);
  Mask bits(samples.size());
  for (int y = 0; y < samples.height(); ++y) {
    for (int x = 0; x < samples.width(); ++x) {
      samples(x, y) = image(2 * x + x0, 2 * y + y0);
      bits(x, y) = mask(2 * x + x0, 2 * y + y0);
    }
  }
  stack::CosmicRayOptions options;
  options.fwhm_px = 0.5 * measured.quality.fwhm_px;
  const auto here = [&](double x, double y) {
    return stack::SkyHere{sky.level_at(2.0 * x + x0, 2.0 * y + y0),
                          sky.noise_at(2.0 * x + x0, 2.0 * y + y0)};
  };
  auto hits = stack::find_cosmic_rays(samples.view(), bits.cview(), here, variance_per_unit,
                                      options, threads);
  for (auto& p : hits) p = {2 * p.x + x0, 2 * p.y + y0};
  return hits;
}

// `image` may be changed: hit pixels are replaced.
std::vector<stack::HitPixel> find_particles(Grid<float>& image, const Mask& mask,
                                            const SubMeasurement& measured,
                                            const Calibration& calibration, Threads threads) {
  if (measured.quality.fitted < 3 || measured.sky.empty()) return {};  // how wide are stars?
  const double variance_per_unit = 1.0 / calibration.electrons_per_unit();
  if (calibration.cfa == CfaPattern::none) {
    stack::CosmicRayOptions options;
    options.fwhm_px = measured.quality.fwhm_px;
    const auto& sky = measured.sky[measured.sky.size() / 2];
    const auto here = [&](double x, double y) {
      return stack::SkyHere{sky.level_at(x, y), sky.noise_at(x, y)};
    };
    return stack::find_cosmic_rays(image.view(), mask.cview(), here, variance_per_unit, options,
                                   threads);
  }
  std::vector<stack::HitPixel> hits;
  for (int y = 0; y < 2; ++y) {
    for (int x = 0; x < 2; ++x) {
      const auto plane = static_cast<std::size_t>(cfa_colour(calibration.cfa, x, y));
      const auto part = particles_of_lattice(image, mask, measured, {1.0 * x, 1.0 * y},
                                             measured.sky[plane], variance_per_unit, threads);
      hits.insert(hits.end(), part.begin(), part.end());
    }
  }
  std::sort(hits.begin(), hits.end(),
            [](const auto& a, const auto& b) { return a.y != b.y ? a.y < b.y : a.x < b.x; });
  return hits;
}

int preview_bin(Size frame, int longest, CfaPattern cfa) noexcept {
  const int side = std::max(frame.width, frame.height);
  int bin = std::max((side + longest - 1) / std::max(longest, 1), 1);
  // Stars and trails are seldom narrower than two pixels: small frames need no finer previews.
  if (bin == 1 && 2 * side > longest) bin = 2;
  if (cfa != CfaPattern::none && bin % 2 != 0) ++bin;  // whole cells of the mosaic
  return bin;
}

std::int64_t count_saturated(PlaneView<const std::uint8_t> mask) noexcept {
  std::int64_t count = 0;
  for (int y = 0; y < mask.height(); ++y) {
    const auto row = mask.row(y);
    unsigned any = 0;
    for (const std::uint8_t bits : row) any |= bits;
    if ((any & mask_bit::saturated) == 0) continue;
    for (const std::uint8_t bits : row) count += (bits & mask_bit::saturated) != 0;
  }
  return count;
}

bool any_bits(PlaneView<const std::uint8_t> mask, int y0, int y1) noexcept {
  unsigned seen = 0;
  for (int y = y0; y < y1; ++y) {
    for (const std::uint8_t bits : mask.row(y)) seen |= bits;
  }
  return seen != 0;
}

// The whole frame in place. Bands where nothing is masked need no repair, so they are calibrated
// where they lie; the others, and their neighbours, are read again with their margins.
void read_whole(const PixelSource& raw, const Calibration& calibration, int plane,
                const sensor::LineOffsets& lines, PlaneView<float> image,
                PlaneView<std::uint8_t> mask, Threads threads) {
  const int width = image.width();
  const bool in_place = calibration.defects.empty() && lines.empty();
  const int rows = in_place ? 32 : read_rows;
  std::vector<char> marked(static_cast<std::size_t>((image.height() + rows - 1) / rows), 1);
  if (in_place) {
    parallel_bands(threads, image.height(), rows, [&](int y0, int y1) {
      const Rect band{0, y0, width, y1};
      raw.fill(plane, band, image.crop(band));
      sensor::calibrate_band(image.crop(band), band, calibration.planes(), mask.crop(band));
      marked[static_cast<std::size_t>(y0 / rows)] = any_bits(mask, y0, y1) ? 1 : 0;
    });
  }
  parallel_bands(threads, image.height(), rows, [&](int y0, int y1) {
    const auto k = static_cast<std::size_t>(y0 / rows);
    const bool beside =
        (k > 0 && marked[k - 1] != 0) || (k + 1 < marked.size() && marked[k + 1] != 0);
    if (marked[k] == 0 && !beside) return;
    const Rect band{0, y0, width, y1};
    read_calibrated(raw, calibration, band, image.crop(band), mask.crop(band), plane, &lines);
  });
}

}  // namespace

double ChannelSky::level_at(double x, double y) const noexcept {
  return static_cast<double>(mesh.level_at((x - offset_x) / step, (y - offset_y) / step));
}

double ChannelSky::noise_at(double x, double y) const noexcept {
  return static_cast<double>(mesh.noise_at((x - offset_x) / step, (y - offset_y) / step));
}

SubMeasurement measure_sub(const PixelSource& raw, const Calibration& calibration,
                           const MeasureSettings& settings, Threads threads) {
  MeasureBuffers buffers;
  return measure_sub(raw, calibration, settings, threads, buffers);
}

SubMeasurement measure_sub(const PixelSource& raw, const Calibration& calibration,
                           const MeasureSettings& settings, Threads threads,
                           MeasureBuffers& buffers) {
  SubMeasurement out;
  out.frame = raw.size();
  const bool mosaic = calibration.cfa != CfaPattern::none;
  Grid<float>& image = buffers.image;
  Mask& mask = buffers.mask;
  if (image.size() != out.frame) image = Grid<float>(out.frame);
  if (mask.size() != out.frame) mask = Mask(out.frame);
  const auto read_plane = [&](int plane) {
    read_whole(raw, calibration, plane, out.lines, image.view(), mask.view(), threads);
  };
  // A colour picture (planes already apart) is judged on its green plane, read last.
  if (raw.planes() == 3) out.sky.resize(3);
  for (const int plane : raw.planes() == 3 ? std::vector<int>{0, 2, 1} : std::vector<int>{0}) {
    read_plane(plane);
    if (raw.planes() == 3) {
      out.sky[static_cast<std::size_t>(plane)] =
          measure_channel(image.cview(), mask.cview(), {}, settings.stars.sky, threads);
      count_tails(image.cview(), mask.cview(), out.sky[static_cast<std::size_t>(plane)], threads);
    }
  }
  // Levels of single lines move no star, and what counts their noise is the combination.
  if (raw.planes() != 3 && settings.for_combining) {
    out.lines = sensor::measure_line_noise(
        image.cview(), mask.cview(), calibration.cfa,
        [&](double x, double y) {
          return calibration.inverse_flat_at(x, y) *
                 static_cast<double>(calibration.constant_multiply);
        },
        threads);
    // As the combine pass will read it.
    if (!out.lines.empty()) read_plane(0);
  }
  auto options = settings.stars;
  options.cfa = calibration.cfa;
  options.gain_e_per_unit = calibration.electrons_per_unit();
  auto measured =
      stars::measure_frame(image.cview(), mask.cview(), options, threads, buffers.stars);
  if (mosaic) {
    for (int plane = 0; plane < 3; ++plane) {
      out.sky.push_back(measure_channel(image.cview(), mask.cview(),
                                        channel_of(calibration.cfa, plane), options.sky, threads));
      count_tails(image.cview(), mask.cview(), out.sky.back(), threads);
    }
  } else if (out.sky.empty()) {
    out.sky.push_back({std::move(measured.sky), 1, 0, 0});
    if (settings.for_combining) {
      count_tails(image.cview(), mask.cview(), out.sky.back(), threads);
    }
  }
  out.quality = measured.quality;
  out.stars = std::move(measured.stars);
  for (const auto& other : measured.others) {
    out.sharp += other.kind == StarClass::hot_pixel || other.kind == StarClass::cosmic_ray ? 1 : 0;
  }
  if (settings.keep_others) out.others = std::move(measured.others);
  out.saturated = count_saturated(mask.cview());
  if (!settings.for_combining) return out;
  out.searched_particles = settings.find_particles;
  if (settings.find_particles) {
    out.particles = find_particles(image, mask, out, calibration, threads);
  }
  out.preview_bin = preview_bin(out.frame, settings.preview_px, calibration.cfa);
  fill_preview(image.cview(), mask.cview(), out, threads);
  scale_preview(out);
  return out;
}

}  // namespace coldframe::pipeline
