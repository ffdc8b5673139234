// Calibrating a row and the errors of its pixels: against their scalar definitions.
#include <benchmark/benchmark.h>

#include <vector>

#include "pipeline/error_kernel.hpp"
#include "sensor/calibrate_kernel.hpp"

namespace {

constexpr std::size_t count = 6000;

void per_pixel(benchmark::State& state) {
  state.SetItemsProcessed(state.iterations() * static_cast<std::int64_t>(count));
}

template <auto calibrate>
void calibrate_rows(benchmark::State& state) {
  const std::vector<float> dark(count, 500.0F), flat(count, 1.1F);
  const std::vector<std::uint8_t> defects(count, 0);
  std::vector<float> values(count, 900.0F);
  std::vector<std::uint8_t> mask(count);
  coldframe::sensor::CalibrationRow row;
  row.subtract = dark.data();
  row.multiply = flat.data();
  row.defects = defects.data();
  row.saturation = 65535.0F;
  for (auto _ : state) {
    calibrate(row, values.data(), mask.data(), count);
    benchmark::DoNotOptimize(values.data());
  }
  per_pixel(state);
}

template <auto error_of>
void errors_of_rows(benchmark::State& state) {
  const std::vector<float> values(count, 900.0F), sums(count, 2700.0F), counts(count, 3.0F);
  const std::vector<float> flat(count, 1.1F), noise(count, 20.0F), relative(count, 1e-5F);
  std::vector<float> out(count);
  coldframe::pipeline::detail::ErrorRow row;
  row.values = values.data();
  row.multiply = flat.data();
  row.dark = row.subtract = noise.data();
  row.flat = relative.data();
  for (int k = 0; k < 3; ++k) {
    row.sums[k] = sums.data();
    row.counts[k] = counts.data();
  }
  for (auto _ : state) {
    error_of(row, out.data(), count);
    benchmark::DoNotOptimize(out.data());
  }
  per_pixel(state);
}

BENCHMARK(calibrate_rows<coldframe::sensor::calibrate_row>)->Name("calibrate a row");
BENCHMARK(calibrate_rows<coldframe::sensor::calibrate_row_scalar>)->Name("calibrate a row, scalar");
BENCHMARK(errors_of_rows<coldframe::pipeline::detail::error_row>)->Name("errors of a row");
BENCHMARK(errors_of_rows<coldframe::pipeline::detail::error_row_scalar>)
    ->Name("errors of a row, scalar");

}  // namespace
