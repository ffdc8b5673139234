// Samples and what every rule makes of them, for the check of their efficiency from outside.
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "catch.hpp"
#include "stack/samples.hpp"

using namespace coldframe;
using namespace coldframe::stack;
using namespace coldframe::stack::test;

TEST_CASE("Means of all rules for the crosscheck", "[stack]") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  std::vector<float> block;
  const auto put = [&](const Grid<float>& grid) {
    for (int y = 0; y < grid.height(); ++y) {
      block.insert(block.end(), grid.row(y).begin(), grid.row(y).end());
    }
  };
  // Gaussian samples of sd 15 about 200: nothing to reject, so every cut costs.
  for (const std::size_t subs : {8U, 16U, 50U}) {
    Stack s({0, 0, 128, 128}, subs, {1.0F, 225.0F, 0.0F, 0.0F});
    s.fill_noise(91, 200.0);
    block.push_back(static_cast<float>(subs));
    for (const auto& values : s.values) put(values);
    for (const auto rule : {Rejection::none, Rejection::noise_model, Rejection::kappa_sigma,
                            Rejection::winsorised, Rejection::esd}) {
      CombineOptions options;
      options.rule = rule;
      options.kappa_low = options.kappa_high = 3.0;
      options.sky_level = 200.0;
      put(combine(s, options).mean);
    }
  }
  CHECK(block.size() == 3 + 16384 * (8 + 16 + 50 + 15));
  if (folder == nullptr) return;
  std::ofstream out(std::filesystem::path(folder) / "stack_efficiency.f32", std::ios::binary);
  out.write(reinterpret_cast<const char*>(block.data()),
            static_cast<std::streamsize>(block.size() * sizeof(float)));
  REQUIRE(out.good());
}
