// Kappa-sigma combination of N samples per pixel: the engine against a plain definition with
// nth_element, one thread, everything in memory. Prints one JSON object with Msamples per CPU
// second, medians over the rounds. Usage: coldframe_kappa_sigma [SUBS [ROUNDS [SAMPLES_FILE]]]
// The samples (float32, SUBS x 256 x 1024) are left in SAMPLES_FILE for rivals.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/stack/combine.hpp"

namespace {

using namespace coldframe;

constexpr Size size{1024, 256};
constexpr double kappa = 3.0;
constexpr int passes = 5;

double cpu_seconds() { return static_cast<double>(std::clock()) / CLOCKS_PER_SEC; }

std::vector<Grid<float>> draw(std::size_t subs) {
  std::vector<Grid<float>> frames;
  for (std::size_t i = 0; i < subs; ++i) {
    RandomStream random(7, 1, i);
    Grid<float> frame(size);
    for (int y = 0; y < size.height; ++y) {
      for (float& v : frame.row(y)) {
        const bool hit = random.uniform() < 0.005;
        v = static_cast<float>(500.0 + 20.0 * random.normal() + (hit ? 900.0 : 0.0));
      }
    }
    frames.push_back(std::move(frame));
  }
  return frames;
}

struct Output {
  explicit Output(Size s) : mean(s), variance(s), low(s), high(s) {}
  Grid<float> mean, variance;
  Grid<std::uint16_t> low, high;
};

/// Median and MAD by nth_element, clipping, weighted mean and variance: what one writes at first.
void by_definition(const std::vector<Grid<float>>& frames, const std::vector<float>& weights,
                   Output& out) {
  std::vector<float> sample(frames.size()), distance(frames.size());
  const auto median_of = [](std::vector<float>& v) {
    const auto middle = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
    std::nth_element(v.begin(), middle, v.end());
    if (v.size() % 2 == 1) return *middle;
    return 0.5F * (*middle + *std::max_element(v.begin(), middle));
  };
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      float low = -INFINITY, high = INFINITY;
      std::size_t count = 0;
      for (int pass = 0; pass < passes; ++pass) {
        sample.clear();
        for (const auto& f : frames) {
          if (f(x, y) >= low && f(x, y) <= high) sample.push_back(f(x, y));
        }
        if (sample.size() == count || sample.size() <= 2) break;
        count = sample.size();
        const float centre = median_of(sample);
        distance.clear();
        for (const float v : sample) distance.push_back(std::fabs(v - centre));
        const auto scale = static_cast<float>(mad_to_sigma * mad_bias_factor(count) *
                                              static_cast<double>(median_of(distance)));
        low = std::max(low, centre - static_cast<float>(kappa) * scale);
        high = std::min(high, centre + static_cast<float>(kappa) * scale);
      }
      double sum = 0.0, weight = 0.0, square = 0.0;
      std::uint16_t below = 0, above = 0;
      for (std::size_t i = 0; i < frames.size(); ++i) {
        const float v = frames[i](x, y);
        below = static_cast<std::uint16_t>(below + (v < low ? 1 : 0));
        above = static_cast<std::uint16_t>(above + (v > high ? 1 : 0));
        if (v < low || v > high) continue;
        const auto w = static_cast<double>(weights[i]);
        sum += w * static_cast<double>(v);
        weight += w;
        square += w * w * 400.0;
      }
      out.mean(x, y) = static_cast<float>(sum / weight);
      out.variance(x, y) = static_cast<float>(square / (weight * weight));
      out.low(x, y) = below;
      out.high(x, y) = above;
    }
  }
}

void by_engine(const std::vector<Grid<float>>& frames, const std::vector<float>& weights,
               stack::Rejection rule, Output& out) {
  stack::TileSamples samples;
  samples.tile = whole(size);
  const auto blocks = static_cast<std::size_t>(samples.block_columns() * samples.block_rows());
  for (std::size_t i = 0; i < frames.size(); ++i) {
    samples.values.push_back(frames[i].cview());
    samples.coefficients.insert(samples.coefficients.end(), blocks,
                                {weights[i], 100.0F, 0.6F, 0.0F});
  }
  stack::CombineOptions options;
  options.rule = rule;
  options.kappa_low = options.kappa_high = kappa;
  options.max_iterations = passes;
  stack::TileResult result;
  result.mean = out.mean.view();
  result.variance = out.variance.view();
  result.clipped_low = out.low.view();
  result.clipped_high = out.high.view();
  stack::combine_tile(samples, options, {}, result, {});
}

template <typename Work>
double rate(std::size_t subs, int rounds, const Work& work) {
  std::vector<double> seconds;
  for (int r = 0; r < rounds; ++r) {
    const double start = cpu_seconds();
    work();
    seconds.push_back(cpu_seconds() - start);
  }
  return static_cast<double>(subs) * static_cast<double>(size.count()) / median(seconds) / 1e6;
}

}  // namespace

int main(int argc, char** argv) {
  const auto subs = static_cast<std::size_t>(argc > 1 ? std::atoi(argv[1]) : 50);
  const int rounds = argc > 2 ? std::atoi(argv[2]) : 5;
  const auto frames = draw(subs);
  std::vector<float> weights;
  for (std::size_t i = 0; i < subs; ++i)
    weights.push_back(0.8F + 0.4F * static_cast<float>(i % 7) / 7.0F);
  if (argc > 3) {
    std::FILE* file = std::fopen(argv[3], "wb");
    if (file == nullptr) return 5;
    for (const auto& f : frames) {
      for (int y = 0; y < size.height; ++y)
        std::fwrite(f.row(y).data(), sizeof(float), static_cast<std::size_t>(size.width), file);
    }
    if (std::fclose(file) != 0) return 5;
  }
  Output plain(size), fast(size);
  const double scalar = rate(subs, rounds, [&] { by_definition(frames, weights, plain); });
  const auto engine = [&](stack::Rejection rule) {
    return rate(subs, rounds, [&] { by_engine(frames, weights, rule, fast); });
  };
  const double noise_model = engine(stack::Rejection::noise_model);
  const double winsorised = engine(stack::Rejection::winsorised);
  const double esd = engine(stack::Rejection::esd);
  const double kappa_sigma = engine(stack::Rejection::kappa_sigma);
  std::size_t differ = 0;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x)
      differ += plain.low(x, y) != fast.low(x, y) || plain.high(x, y) != fast.high(x, y) ? 1U : 0U;
  }
  std::printf("{\"subs\": %zu, \"scalar\": %.1f, \"kappa_sigma\": %.1f, \"times_scalar\": %.2f, "
              "\"noise_model\": %.1f, \"winsorised\": %.1f, \"esd\": %.1f, \"pixels_that_differ\": %zu}\n",
              subs, scalar, kappa_sigma, kappa_sigma / scalar, noise_model, winsorised, esd, differ);
  return 0;
}
