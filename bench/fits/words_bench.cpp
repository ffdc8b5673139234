// Samples on their way between files and memory, and checksums: against their scalar definitions.
#include <benchmark/benchmark.h>

#include <vector>

#include "fits/swap16_kernel.hpp"
#include "fits/words_kernel.hpp"

using namespace coldframe::fits::detail;

namespace {

constexpr std::size_t count = 1U << 17U;  // half a megabyte: the second cache

void per_pixel(benchmark::State& state) {
  state.SetItemsProcessed(state.iterations() * static_cast<std::int64_t>(count));
}

template <auto decode>
void decode_codes(benchmark::State& state) {
  const std::vector<std::uint8_t> codes(2 * count, 0x35);
  std::vector<float> out(count);
  for (auto _ : state) {
    decode(codes.data(), out.data(), count, 32768);
    benchmark::DoNotOptimize(out.data());
  }
  per_pixel(state);
}

template <auto encode>
void write_floats(benchmark::State& state) {
  const std::vector<float> values(count, 3.7F);
  std::vector<std::uint8_t> out(4 * count);
  for (auto _ : state) benchmark::DoNotOptimize(encode(values.data(), out.data(), count));
  per_pixel(state);
}

template <auto sum>
void checksum(benchmark::State& state) {
  const std::vector<std::uint8_t> bytes(4 * count, 0x35);
  for (auto _ : state) benchmark::DoNotOptimize(sum(bytes.data(), count));
  per_pixel(state);
}

BENCHMARK(decode_codes<decode16>)->Name("16-bit codes to float");
BENCHMARK(decode_codes<decode16_scalar>)->Name("16-bit codes to float, scalar");
BENCHMARK(write_floats<encode_floats>)->Name("float to big-endian, summed");
BENCHMARK(write_floats<encode_floats_scalar>)->Name("float to big-endian, summed, scalar");
BENCHMARK(checksum<sum_words>)->Name("checksum of words");
BENCHMARK(checksum<sum_words_scalar>)->Name("checksum of words, scalar");

}  // namespace
