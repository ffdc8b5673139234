#include <array>
#include <atomic>
#include <cmath>
#include <set>
#include <stdexcept>
#include <string>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/random.hpp"
#include "coldframe/core/statistics.hpp"

using namespace coldframe;

TEST_CASE("Philox4x32-10 gives the known answers", "[random]") {
  // Known-answer vectors of the Random123 distribution (Salmon et al. 2011), from memory.
  using Words = std::array<std::uint32_t, 4>;
  CHECK(philox4x32({0, 0, 0, 0}, {0, 0}) == Words{0x6627e8d5, 0xe169c58d, 0xbc57ac4c, 0x9b00dbd8});
  CHECK(philox4x32({0xffffffff, 0xffffffff, 0xffffffff, 0xffffffff}, {0xffffffff, 0xffffffff}) ==
        Words{0x408f276d, 0x41c83b0e, 0xa20bc7c6, 0x6d5451fd});
  CHECK(philox4x32({0x243f6a88, 0x85a308d3, 0x13198a2e, 0x03707344}, {0xa4093822, 0x299f31d0}) ==
        Words{0xd16cfe09, 0x94fdcceb, 0x5001e420, 0x24126ea1});
}

TEST_CASE("streams are repeatable and apart from each other", "[random]") {
  RandomStream a(1, 2, 3);
  RandomStream b(1, 2, 3);
  std::set<std::uint32_t> first;
  for (int i = 0; i < 100; ++i) CHECK(a.bits() == b.bits());
  // Every part of the name counts, high halves of 64-bit numbers included.
  for (auto stream :
       {RandomStream(1, 2, 3), RandomStream(2, 2, 3), RandomStream(1, 3, 3), RandomStream(1, 2, 4),
        RandomStream((1ULL << 40U) + 1, 2, 3), RandomStream(1, 2, (1ULL << 40U) + 3)}) {
    first.insert(stream.bits());
  }
  CHECK(first.size() == 6);
}

TEST_CASE("uniform numbers fill [0, 1) evenly", "[random]") {
  RandomStream random(42, 1, 0);
  constexpr int n = 200000;
  std::array<int, 20> bins{};
  double low = 1.0;
  double high = 0.0;
  for (int i = 0; i < n; ++i) {
    const double u = random.uniform();
    low = std::min(low, u);
    high = std::max(high, u);
    REQUIRE(u >= 0.0);
    REQUIRE(u < 1.0);
    ++bins[static_cast<std::size_t>(u * 20.0)];
  }
  double chi2 = 0.0;
  for (const int count : bins) chi2 += std::pow(count - n / 20.0, 2) / (n / 20.0);
  CHECK(chi2 < 43.8);  // 19 degrees of freedom, p = 0.001
  CHECK(low < 1e-4);
  CHECK(high > 1.0 - 1e-4);
}

TEST_CASE("normal numbers have the moments and tails of a Gaussian", "[random]") {
  constexpr std::size_t n = 400000;
  std::vector<double> x(n);
  RandomStream random(7, 8, 9);
  for (double& value : x) value = random.normal();
  double m1 = 0, m2 = 0, m3 = 0, m4 = 0, lag = 0;
  std::size_t beyond_two = 0;
  for (std::size_t i = 0; i < n; ++i) {
    m1 += x[i];
    m2 += x[i] * x[i];
    m3 += x[i] * x[i] * x[i];
    m4 += std::pow(x[i], 4);
    if (i > 0) lag += x[i] * x[i - 1];
    if (std::fabs(x[i]) > 2.0) ++beyond_two;
  }
  // Standard errors of raw moments: sqrt((mu_2k - mu_k^2)/n) = 1, sqrt 2, sqrt 15, sqrt 96 over
  // sqrt n.
  const double root = std::sqrt(static_cast<double>(n));
  const auto per = static_cast<double>(n);
  CHECK(std::fabs(m1 / per) < 4.5 / root);
  CHECK(std::fabs(m2 / per - 1.0) < 4.5 * std::sqrt(2.0) / root);
  CHECK(std::fabs(m3 / per) < 4.5 * std::sqrt(15.0) / root);
  CHECK(std::fabs(m4 / per - 3.0) < 4.5 * std::sqrt(96.0) / root);
  CHECK(std::fabs(lag / per) < 4.5 / root);
  // 1 - 0.9544997361 (OUT-4 of the reference values) beyond two sigma.
  CHECK(std::fabs(static_cast<double>(beyond_two) / per - 0.0455002639) < 4.5 * 0.2084 / root);
  CHECK(std::fabs(mad_to_sigma * median_absolute_deviation(x) - 1.0) < 4.5 * 1.17 / root);
}

TEST_CASE("parallel_for gives the same for any number of threads", "[parallel]") {
  const auto compute = [](int threads) {
    std::vector<double> result(1000);
    parallel_for({threads}, result.size(), [&](std::size_t i) {
      RandomStream random(3, 1, i);
      double sum = 0.0;
      for (int k = 0; k < 50; ++k) sum += random.normal();
      result[i] = sum;
    });
    return result;
  };
  const auto serial = compute(1);
  for (const int threads : {2, 3, 8}) CHECK(compute(threads) == serial);
  CHECK(compute(0) == serial);
  parallel_for({4}, 0, [](std::size_t) { FAIL("no index to call"); });
  CHECK(Threads{5}.resolved() == 5);
  CHECK(Threads{}.resolved() >= 1);
}

TEST_CASE("bands have absolute boundaries and cover every row once", "[parallel]") {
  for (const int threads : {1, 2, 3, 8}) {
    std::vector<std::atomic<int>> seen(101);
    std::atomic<bool> aligned{true};
    parallel_bands({threads}, 101, 16, [&](int y0, int y1) {
      if (y0 % 16 != 0 || y1 != std::min(y0 + 16, 101)) aligned = false;
      for (int y = y0; y < y1; ++y) ++seen[static_cast<std::size_t>(y)];
    });
    CHECK(aligned);
    for (const auto& count : seen) CHECK(count == 1);
  }
  parallel_bands({2}, 0, 16, [](int, int) { FAIL("no rows to call for"); });
}

TEST_CASE("the exception of the lowest index comes out", "[parallel]") {
  for (const int threads : {1, 2, 3, 8}) {
    for (int repeat = 0; repeat < 20; ++repeat) {
      std::atomic<int> lower_done{0};
      std::string caught;
      try {
        parallel_for({threads}, 200, [&](std::size_t i) {
          if (i >= 20) throw std::runtime_error(std::to_string(i));
          ++lower_done;
        });
      } catch (const std::runtime_error& error) {
        caught = error.what();
      }
      CHECK(caught == "20");
      CHECK(lower_done == 20);
    }
  }
}

TEST_CASE("nested parallel calls run serially and completely", "[parallel]") {
  for (const int threads : {2, 3}) {
    std::vector<int> sums(12);
    std::atomic<bool> in_order{true};
    parallel_for({threads}, sums.size(), [&](std::size_t i) {
      std::size_t next = 0;  // unguarded on purpose: only a serial inner loop keeps it in order
      parallel_for({8}, 100, [&](std::size_t k) {
        if (k != next++) in_order = false;
        sums[i] += static_cast<int>(k);
      });
    });
    CHECK(in_order);
    for (const int sum : sums) CHECK(sum == 4950);
  }
  const std::string back_end = parallel_back_end();
  CHECK((back_end == "openmp" || back_end == "jthread"));
}

TEST_CASE("a watch stops only when asked", "[interrupt]") {
  std::atomic<bool> stop{false};
  Watch watch;
  CHECK_NOTHROW(watch.check());
  watch.stop = &stop;
  CHECK_NOTHROW(watch.check());
  stop = true;
  try {
    watch.check();
    FAIL("must throw");
  } catch (const Error& error) {
    CHECK(error.kind() == ErrorKind::interrupted);
  }
  std::string told;
  watch.progress = [&](std::string_view stage, std::size_t done, std::size_t total) {
    told = std::string(stage) + std::to_string(done) + "/" + std::to_string(total);
  };
  watch.report("measure", 3, 7);
  CHECK(told == "measure3/7");
}
