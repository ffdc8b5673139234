#include "camera_facts.hpp"

#include <algorithm>
#include <cmath>
#include <span>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"

namespace coldframe::session {
namespace {

constexpr int window = 768;
constexpr std::size_t clipped_pixels = 8;  // so many at one highest code are no accident
constexpr double most_exposure_s = 10.0;   // longer darks hold too much dark current

Grid<float> central_window(const std::filesystem::path& path) {
  const auto file = fits::ImageFile::open(path);
  const Size size = file->size();
  // Even corners keep the colours of a mosaic in place.
  const int x0 = std::max((size.width - window) / 4 * 2, 0);
  const int y0 = std::max((size.height - window) / 4 * 2, 0);
  const Rect part = Rect{x0, y0, x0 + window, y0 + window}.intersect(whole(size));
  Grid<float> pixels(part.size());
  file->fill(0, part, pixels.view());
  return pixels;
}

// One colour of a mosaic: every second pixel of every second row.
Grid<float> every_second(const Grid<float>& pixels) {
  Grid<float> out(pixels.width() / 2, pixels.height() / 2);
  for (int y = 0; y < out.height(); ++y) {
    for (int x = 0; x < out.width(); ++x) out(x, y) = pixels(2 * x, 2 * y);
  }
  return out;
}

sensor::PairStatistics pair_of(const Inventory& inventory, const FrameSet& set) {
  Grid<float> a = central_window(inventory.frames[set.frames[0]].path);
  Grid<float> b = central_window(inventory.frames[set.frames[1]].path);
  if (inventory.frames[set.frames[0]].info.cfa != CfaPattern::none) {
    a = every_second(a);
    b = every_second(b);
  }
  return sensor::pair_statistics(a.cview(), b.cview());
}

// Wells that are full before the converter is leave a crowd of pixels just under one level, blurred
// by read noise and by the pixels' own limits, and few below it: light alone thins out upwards.
std::optional<double> full_well_level(const Grid<float>& pixels) {
  constexpr std::size_t unlikely = 8;  // so many strays above are passed over
  constexpr std::size_t least = 16;
  constexpr double crowd = 8.0;
  std::vector<float> values;
  values.reserve(static_cast<std::size_t>(pixels.size().count()));
  for (int y = 0; y < pixels.height(); ++y) {
    for (const float value : pixels.cview().row(y)) {
      if (std::isfinite(value)) values.push_back(value);
    }
  }
  if (values.size() < 1000) return std::nullopt;
  const auto sky = static_cast<double>(median_in_place(std::span<float>(values)));
  const auto rank = values.end() - static_cast<std::ptrdiff_t>(unlikely);
  std::nth_element(values.begin(), rank, values.end());
  const auto top = static_cast<double>(*rank);
  const double step = 0.01 * (top - sky);
  const auto within = [&](double low, double high) {
    return std::count_if(values.begin(), values.end(), [&](float v) {
      const auto value = static_cast<double>(v);
      return value > low && value <= high;
    });
  };
  const auto crowded = static_cast<double>(within(top - step, 1e30));
  const auto below = static_cast<double>(within(top - 6.0 * step, top - step)) / 5.0;
  const bool plateau =
      crowded >= static_cast<double>(least) && crowded > crowd * std::max(below, 1.0);
  return plateau ? std::optional(top - step) : std::nullopt;
}

}  // namespace

std::optional<sensor::GainEstimate> gain_from_frames(const Inventory& inventory,
                                                     const Pairing& pairing,
                                                     const std::vector<bool>& belongs) {
  const FrameSet* flat = nullptr;
  const FrameSet* dark = nullptr;
  for (const auto& set : pairing.sets) {
    if (set.frames.size() < 2 || !belongs[set.frames.front()]) continue;
    const auto& info = inventory.frames[set.frames.front()].info;
    if (set.kind == FrameKind::flat && flat == nullptr) flat = &set;
    const bool dim =
        set.kind == FrameKind::bias ||
        (set.kind == FrameKind::dark && info.exposure_s.value_or(1e9) <= most_exposure_s);
    // A bias is the best dark level; any short dark will do.
    if (dim && (dark == nullptr || set.kind == FrameKind::bias)) dark = &set;
  }
  if (flat == nullptr || dark == nullptr) return std::nullopt;
  try {
    return sensor::estimate_gain(pair_of(inventory, *dark), pair_of(inventory, *flat));
  } catch (const Error&) {
    return std::nullopt;  // unreadable frames are reported where they are used
  }
}

double saturation_from_codes(const std::filesystem::path& path) {
  constexpr double highest_code = 65535.0;
  const auto file = fits::ImageFile::open(path);
  Grid<float> pixels(file->size());
  file->fill(0, whole(file->size()), pixels.view());
  const auto codes = sensor::summarise_codes(pixels.cview());
  if (codes.at_highest >= clipped_pixels) return codes.highest;
  if (const auto level = full_well_level(pixels)) return *level;
  return highest_code - std::max(codes.step, 1.0) + 1.0;
}

}  // namespace coldframe::session
