// The sky's mesh, a median by selection and a surface's rows: against the standard library's
// selection and the scalar series.
#include <benchmark/benchmark.h>

#include <vector>

#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stars/sky_mesh.hpp"
#include "core/chebyshev_kernel.hpp"
#include "core/select_kernel.hpp"

using namespace coldframe;

namespace {

void items(benchmark::State& state, std::size_t count) {
  state.SetItemsProcessed(state.iterations() * static_cast<std::int64_t>(count));
}

std::vector<float> noise(std::size_t count) {
  RandomStream random(1, 1, 1);
  std::vector<float> values(count);
  for (float& v : values) v = static_cast<float>(800.0 + 25.0 * random.normal());
  return values;
}

void sky_mesh(benchmark::State& state) {
  constexpr Size size{2048, 1024};
  const auto values = noise(static_cast<std::size_t>(size.count()));
  const Mask mask(size);
  const PlaneView<const float> image(values.data(), size.width, size.height, size.width);
  for (auto _ : state) {
    benchmark::DoNotOptimize(stars::measure_sky(image, mask.cview(), {}, Threads{1}));
  }
  items(state, values.size());
}

void select(benchmark::State& state) {
  const auto values = noise(static_cast<std::size_t>(state.range(0)));
  for (auto _ : state) benchmark::DoNotOptimize(kth_smallest(values, values.size() / 2));
  items(state, values.size());
}

void select_scalar(benchmark::State& state) {
  const auto values = noise(static_cast<std::size_t>(state.range(0)));
  for (auto _ : state) {
    benchmark::DoNotOptimize(kth_smallest_scalar(values.data(), values.size(), values.size() / 2));
  }
  items(state, values.size());
}

template <bool scalar>
void surface_row(benchmark::State& state) {
  const double series[4] = {100.0, 5.0, -2.0, 1.0};
  std::vector<float> row(3000);
  for (auto _ : state) {
    if (scalar) {
      chebyshev_row_scalar(series, 3, 0, 3000, row.data(), row.size());
    } else {
      chebyshev_row(series, 3, 0, 3000, row.data(), row.size());
    }
    benchmark::DoNotOptimize(row.data());
  }
  items(state, row.size());
}

BENCHMARK(sky_mesh)->Name("sky mesh of 64 px")->Unit(benchmark::kMillisecond);
BENCHMARK(select)->Name("median")->Arg(81)->Arg(1024)->Arg(4096)->Arg(120000);
BENCHMARK(select_scalar)->Name("median, std::nth_element")->Arg(81)->Arg(1024)->Arg(4096)->Arg(120000);
BENCHMARK(surface_row<false>)->Name("surface of order 3");
BENCHMARK(surface_row<true>)->Name("surface of order 3, scalar");

}  // namespace
