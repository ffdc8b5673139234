// Lanczos-3 of a 6-megapixel frame, one core, in full-width strips or (turned by more than 10 degrees)
// in squares, as `run` does. items/s: destination pixels.
// Beside it: bench/library/kernels.py (OpenCV's warpAffine with 8 x 8 taps).
#include <benchmark/benchmark.h>

#include <cmath>
#include <cstdint>
#include <numbers>

#include "coldframe/align/resample.hpp"
#include "coldframe/core/image.hpp"

namespace {

using namespace coldframe;

constexpr Size frame{3000, 2000};
constexpr int strip = 64, square = 256;

// A turn about the middle, exact at right angles to a rounding.
Transform turned(double degrees) {
  const double angle = degrees * std::numbers::pi / 180.0;
  const double c = std::cos(angle), s = std::sin(angle);
  const double x = 0.5 * (frame.width - 1), y = 0.5 * (frame.height - 1);
  return Transform::affine(c, -s, x - c * x + s * y + 0.37, s, c, y - s * x - c * y + 0.21);
}

void lanczos3(benchmark::State& state) {
  Grid<float> source(frame), values(Size{frame.width, square});
  Grid<std::uint8_t> clean(frame), mask(Size{frame.width, square});
  std::uint32_t random = 1;
  for (int y = 0; y < frame.height; ++y) {
    for (float& value : source.row(y)) {
      random = 1664525U * random + 1013904223U;
      value = 1000.0F + static_cast<float>(random >> 24U);
    }
  }
  const auto thousandths = state.range(0);
  const Transform mapping = turned(static_cast<double>(thousandths) / 1000.0);
  const bool squares = thousandths > 10000 && thousandths < 170000;
  const int width = squares ? square : frame.width, height = squares ? square : strip;
  const Rect whole_frame{0, 0, frame.width, frame.height};
  for ([[maybe_unused]] auto _ : state) {
    for (int y = 0; y < frame.height; y += height) {
      for (int x = 0; x < frame.width; x += width) {
        const Rect target = Rect{x, y, x + width, y + height}.intersect(whole_frame);
        const Rect region =
            align::source_region(mapping, target, frame, align::Kernel::lanczos3);
        if (region.empty()) continue;  // a corner that the turned frame does not reach
        const Rect own{0, 0, target.width(), target.height()};
        align::resample(source.cview().crop(region), clean.cview().crop(region), region, frame,
                        mapping, target, values.view().crop(own), mask.view().crop(own), {});
      }
    }
    benchmark::DoNotOptimize(values.view().data());
  }
  state.SetItemsProcessed(state.iterations() * frame.width * frame.height);
}

}  // namespace

// Thousandths of a degree: a mount's drift, a turn of the field, any angle, a flip.
BENCHMARK(lanczos3)->Arg(0)->Arg(50)->Arg(300)->Arg(1000)->Arg(5000)->Arg(33000)->Arg(75000)->Arg(
    180000)->Unit(benchmark::kMillisecond);
