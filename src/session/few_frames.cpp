#include "few_frames.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t most_frames = 5;

}  // namespace

FewFrames::FewFrames(const Inventory& inventory, std::span<const std::size_t> frames) {
  const std::size_t wanted = std::min(frames.size(), most_frames);
  for (std::size_t k = 0; k < wanted; ++k) {
    const auto& entry = inventory.frames[frames[k * frames.size() / wanted]];
    try {
      sources_.push_back(open_raw_frame(entry.path, entry.info));
    } catch (const Error&) {
      continue;  // named where it is used
    }
  }
}

Grid<float> FewFrames::median(const Rect& rect, Threads threads) const {
  std::vector<Grid<float>> frames(sources_.size());
  parallel_for(threads, sources_.size(), [&](std::size_t i) {
    frames[i] = Grid<float>(rect.size());
    sources_[i]->fill(0, rect, frames[i].view());
  });
  if (frames.size() == 1) return std::move(frames.front());
  Grid<float> result(rect.size());
  parallel_bands(threads, rect.height(), 32, [&](int y0, int y1) {
    std::vector<float> samples(frames.size());
    for (int y = y0; y < y1; ++y) {
      for (int x = 0; x < rect.width(); ++x) {
        for (std::size_t i = 0; i < frames.size(); ++i) samples[i] = frames[i](x, y);
        result(x, y) = median_in_place(std::span<float>(samples));
      }
    }
  });
  return result;
}

double FewFrames::noise() const {
  const Size size = sources_.front()->size();
  const Rect rect{0, size.height / 2, size.width, std::min(size.height / 2 + 64, size.height)};
  Grid<float> pixels(rect.size());
  sources_.front()->fill(0, rect, pixels.view());
  std::vector<double> rows;
  for (int y = 0; y < pixels.height(); ++y) {
    const double noise = noise_from_differences(pixels.row(y));
    if (std::isfinite(noise)) rows.push_back(noise);
  }
  return rows.empty() ? 0.0 : median_in_place(std::span<double>(rows));
}

}  // namespace coldframe::session
