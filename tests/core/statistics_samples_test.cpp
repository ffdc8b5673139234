// Leaves samples with our statistics of them for tests/crosscheck/core_crosscheck.py, which asks
// astropy and numpy the same questions.
#include <fmt/format.h>

#include <cstdlib>
#include <fstream>

#include "catch.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe {
namespace {

std::vector<double> sample(std::uint64_t seed, std::size_t count) {
  RandomStream random(seed, 3, 0);
  std::vector<double> values;
  for (std::size_t i = 0; i < count; ++i) {
    // A tenth of the values are outliers of ten sigma.
    const double spread = random.uniform() < 0.1 ? 10.0 : 1.0;
    values.push_back(500.0 + 7.0 * spread * random.normal());
  }
  return values;
}

TEST_CASE("Samples and their statistics are left for the check from outside") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  std::string text;
  for (std::size_t k = 0; k < 40; ++k) {
    const auto values = sample(k, 5 + 13 * k);
    const auto loose = sigma_clipped(values, {3.0, 3.0, 20, true, false});
    const auto robust = sigma_clipped(values, {2.5, 3.5, 20, true, true});
    auto copy = values;
    CHECK(loose.kept <= values.size());
    CHECK(robust.kept <= values.size());
    text += fmt::format("{} {} {} {} {} {} {} {} {} {} {} {} {}", mean(values),
                        standard_deviation(values), median(values),
                        median_absolute_deviation(values), biweight_location(values),
                        biweight_scale(values), quantile_in_place(copy, 0.31), loose.kept,
                        loose.mean, loose.sd, robust.kept, robust.mean, robust.median);
    for (const double v : values) text += fmt::format(" {}", v);
    text += "\n";
  }
  if (folder != nullptr) std::ofstream(std::string(folder) + "/core_statistics.txt") << text;
}

}  // namespace
}  // namespace coldframe
