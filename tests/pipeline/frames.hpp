// Frames in memory for the tests of the passes.
#pragma once

#include <functional>
#include <memory>
#include <vector>

#include "coldframe/core/random.hpp"
#include "coldframe/pipeline/combine_pass.hpp"

namespace coldframe::pipeline::test {

/// A frame in memory.
class MemorySource : public PixelSource {
 public:
  explicit MemorySource(Grid<float> pixels) : pixels_(std::move(pixels)) {}
  [[nodiscard]] Size size() const noexcept override { return pixels_.size(); }
  [[nodiscard]] int planes() const noexcept override { return 1; }
  void fill(int, const Rect& rect, PlaneView<float> values) const override {
    for (int y = 0; y < rect.height(); ++y) {
      for (int x = 0; x < rect.width(); ++x) values(x, y) = pixels_(rect.x0 + x, rect.y0 + y);
    }
  }

 private:
  Grid<float> pixels_;
};

inline Grid<float> noisy_frame(Size size, unsigned seed, double level, double noise) {
  Grid<float> pixels(size);
  RandomStream random(seed, 7, 0);
  for (int y = 0; y < size.height; ++y) {
    for (float& v : pixels.row(y)) v = static_cast<float>(level + noise * random.normal());
  }
  return pixels;
}

/// `step`: sensor pixels per mesh pixel (2 for one colour of a mosaic).
inline stars::SkyMesh flat_mesh(Size frame, float level, float noise, int step = 1) {
  stars::SkyMesh mesh;
  mesh.cell_px = 64;
  mesh.frame = {frame.width / step, frame.height / step};
  const int columns = (mesh.frame.width + 63) / 64;
  const int rows = (mesh.frame.height + 63) / 64;
  mesh.level = Grid<float>(columns, rows, level);
  mesh.noise = Grid<float>(columns, rows, noise);
  return mesh;
}

/// Collects the planes of a result.
struct Collected {
  std::vector<Grid<float>> mean, uncertainty;
  CombineTotals totals;
};

inline Collected collect(std::span<const CombineSub> subs, const CombineSettings& settings,
                         const MemoryPlan& plan, Threads threads) {
  Collected out;
  for (int p = 0; p < settings.planes; ++p) {
    out.mean.emplace_back(settings.canvas);
    out.uncertainty.emplace_back(settings.canvas);
  }
  out.totals = combine_subs(subs, settings, plan, threads, {}, [&](const ResultStrip& strip) {
    const auto p = static_cast<std::size_t>(strip.plane);
    for (int y = 0; y < strip.mean.height(); ++y) {
      for (int x = 0; x < strip.mean.width(); ++x) {
        out.mean[p](x, strip.y0 + y) = strip.mean(x, y);
        out.uncertainty[p](x, strip.y0 + y) = strip.uncertainty(x, y);
      }
    }
  });
  return out;
}

}  // namespace coldframe::pipeline::test
