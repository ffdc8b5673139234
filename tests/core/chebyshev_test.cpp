#include "coldframe/core/chebyshev.hpp"

#include <cmath>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/random.hpp"
#include "core/nist.hpp"

using namespace coldframe;
using nist::close;

namespace {

constexpr Size frame{1500, 1000};

// A polynomial of one total degree in pixels, of order 1 over the frame.
double polynomial(double x, double y, int degree) {
  double sum = 0.0;
  for (int n = 0; n <= degree; ++n) {
    for (int k = 0; k <= n; ++k) {
      const double coefficient = 100.0 * std::cos(1.0 + n * 3 + k * 5);
      sum += coefficient * std::pow(x / 700.0 - 1.1, n - k) * std::pow(y / 600.0 - 0.7, k);
    }
  }
  return sum;
}

std::vector<SurfacePoint> scattered(std::size_t n, std::uint64_t index) {
  RandomStream random(77, 3, index);
  std::vector<SurfacePoint> points(n);
  for (auto& p : points) {
    p.x = random.uniform() * frame.width - 0.5;
    p.y = random.uniform() * frame.height - 0.5;
  }
  return points;
}

}  // namespace

TEST_CASE("Chebyshev terms come in the documented order", "[chebyshev]") {
  CHECK(chebyshev_terms(-1) == 0);
  CHECK(chebyshev_terms(0) == 1);
  CHECK(chebyshev_terms(3) == 10);
  const double u = 0.3;
  const double v = -0.8;
  // T_n(t) = cos(n arccos t), the definition.
  const auto t = [](int n, double x) { return std::cos(n * std::acos(x)); };
  std::vector<double> basis(chebyshev_terms(8));
  chebyshev_basis(u, v, 8, basis);
  std::size_t term = 0;
  for (int degree = 0; degree <= 8; ++degree) {
    for (int k = 0; k <= degree; ++k, ++term) {
      CHECK(std::fabs(basis[term] - t(degree - k, u) * t(k, v)) < 1e-13);
    }
  }
  CHECK(chebyshev_coordinate(-0.5, 100) == -1.0);
  CHECK(chebyshev_coordinate(99.5, 100) == 1.0);
}

TEST_CASE("a surface's value is the sum of its terms, in the same bits wherever cut",
          "[chebyshev]") {
  ChebyshevSurface surface{frame, 6, std::vector<double>(chebyshev_terms(6))};
  RandomStream random(1, 1, 1);
  for (double& c : surface.coefficients) c = random.normal();
  std::vector<double> basis(surface.coefficients.size());
  std::vector<double> whole_row(1500);
  std::vector<float> as_float(1500);
  surface.evaluate_row(0, 321, whole_row);
  surface.evaluate_row(0, 321, as_float);
  for (const int x : {0, 1, 63, 64, 65, 777, 1499}) {
    chebyshev_basis(chebyshev_coordinate(x, frame.width), chebyshev_coordinate(321, frame.height),
                    6, basis);
    double sum = 0.0;
    for (std::size_t i = 0; i < basis.size(); ++i) sum += basis[i] * surface.coefficients[i];
    const auto at = static_cast<std::size_t>(x);
    CHECK(std::fabs(whole_row[at] - sum) < 1e-12);
    CHECK(whole_row[at] == surface.evaluate({static_cast<double>(x), 321.0}));
    CHECK(as_float[at] == static_cast<float>(whole_row[at]));
  }
  std::vector<double> part(100);
  surface.evaluate_row(777, 321, part);
  for (std::size_t i = 0; i < part.size(); ++i) CHECK(part[i] == whole_row[777 + i]);
  CHECK(ChebyshevSurface{}.evaluate({1, 1}) == 0.0);
}

TEST_CASE("polynomials of the fitted degree are reproduced exactly", "[chebyshev]") {
  // The exactness asked of any polynomial background model: 1e-10 of the largest value.
  for (const int degree : {0, 1, 2, 3, 5, 8}) {
    for (const int iterations : {0, 10}) {
      INFO("degree " << degree << " iterations " << iterations);
      auto points = scattered(400, static_cast<std::uint64_t>(degree));
      for (auto& p : points) p.value = 1e4 + polynomial(p.x, p.y, degree);
      const auto fit = fit_chebyshev(points, frame, degree, 3.0, iterations);
      REQUIRE(fit.status == FitStatus::converged);
      for (const auto& p : points) {
        CHECK(std::fabs(fit.surface.evaluate({p.x, p.y}) - p.value) < 1e-10 * 1e4);
      }
      CHECK(fit.used > 200);
    }
  }
}

TEST_CASE("Filip's data: fitted values hold where powers lose every digit", "[chebyshev]") {
  // NIST StRD Filip, degree 10: residual sum of squares 0.795851382172941E-03.
  double low = 1e9;
  double high = -1e9;
  const auto rows = nist::rows("Filip", 5);
  for (const auto& row : rows) {
    low = std::min(low, row.at(1));
    high = std::max(high, row.at(1));
  }
  std::vector<double> design;
  std::vector<double> y;
  for (const auto& row : rows) {
    std::vector<double> all(chebyshev_terms(10));
    chebyshev_basis(2.0 * (row[1] - low) / (high - low) - 1.0, 0.0, 10, all);
    std::size_t first_of_degree = 0;
    for (int n = 0; n <= 10; first_of_degree += static_cast<std::size_t>(++n)) {
      design.push_back(all[first_of_degree]);  // T_n(u) stands first in its degree
    }
    y.push_back(row[0]);
  }
  const auto fit = linear_least_squares(design, 11, y);
  REQUIRE(fit.status == FitStatus::converged);
  CHECK(close(fit.sum_of_squares, 0.795851382172941E-03, 1e-10));
  // The certified polynomial in x, evaluated in extended precision, at every point.
  const long double certified[] = {
      -1467.48961422980L,      -2772.17959193342L,      -2316.37108160893L,     -1127.97394098372L,
      -354.478233703349L,      -75.1242017393757L,      -10.8753180355343L,     -1.06221498588947L,
      -0.670191154593408E-01L, -0.246781078275479E-02L, -0.402962525080404E-04L};
  for (std::size_t i = 0; i < rows.size(); ++i) {
    long double value = 0.0L;
    for (int k = 10; k >= 0; --k)
      value = value * static_cast<long double>(rows[i][1]) + certified[k];
    double fitted = 0.0;
    for (std::size_t k = 0; k <= 10; ++k) fitted += design[11 * i + k] * fit.coefficients[k];
    CHECK(std::fabs(fitted - static_cast<double>(value)) < 1e-8);
  }
}

TEST_CASE("outliers on one side cannot bend a surface", "[chebyshev]") {
  auto points = scattered(900, 40);
  RandomStream random(9, 9, 9);
  for (std::size_t i = 0; i < points.size(); ++i) {
    auto& p = points[i];
    p.value = polynomial(p.x, p.y, 2) + random.normal();
    if (i % 5 == 0) p.value += 5.0 + 40.0 * random.uniform();  // a fifth: stars and a halo
  }
  const auto fit = fit_chebyshev(points, frame, 2, 3.0, 20);
  const auto plain = fit_chebyshev(points, frame, 2, 3.0, 0);
  REQUIRE(fit.status == FitStatus::converged);
  CHECK(plain.used == 900);
  double worst = 0.0;
  double worst_plain = 0.0;
  for (int y = 50; y < 1000; y += 100) {
    for (int x = 50; x < 1500; x += 100) {
      const Point at{static_cast<double>(x), static_cast<double>(y)};
      const double truth = polynomial(x, y, 2);
      const double error = fit.standard_error(at) * fit.residual_sigma;
      CHECK(std::fabs(fit.surface.evaluate(at) - truth) < 6.0 * error);
      worst = std::max(worst, std::fabs(fit.surface.evaluate(at) - truth));
      worst_plain = std::max(worst_plain, std::fabs(plain.surface.evaluate(at) - truth));
    }
  }
  CHECK(worst < 0.5);
  CHECK(worst_plain > 3.0);
  CHECK(std::fabs(fit.residual_sigma - 1.0) < 0.12);
  CHECK(fit.used > 690);
  CHECK(fit.used < 740);
}

TEST_CASE("weights and useless points of a surface fit", "[chebyshev]") {
  auto points = scattered(60, 41);
  for (auto& p : points) p.value = polynomial(p.x, p.y, 1);
  points[3].value = 1e6;
  points[3].weight = 0.0;
  points[4].value = std::nan("");
  points[5].weight = -1.0;
  const auto fit = fit_chebyshev(points, frame, 1);
  REQUIRE(fit.status == FitStatus::converged);
  CHECK(fit.kept[3] == 0);
  CHECK(fit.kept[4] == 0);
  CHECK(fit.kept[5] == 0);
  CHECK(std::fabs(fit.surface.evaluate({10, 10}) - polynomial(10, 10, 1)) < 1e-8);
  // Known noise per point: the covariance is the true one (Gauss-Markov).
  RandomStream random(4, 4, 4);
  double squares = 0.0;
  constexpr int trials = 400;
  const Point at{200.0, 900.0};
  double predicted = 0.0;
  for (int t = 0; t < trials; ++t) {
    for (std::size_t i = 0; i < points.size(); ++i) {
      const double sigma = i % 2 == 0 ? 1.0 : 5.0;
      points[i].weight = 1.0 / (sigma * sigma);
      points[i].value = sigma * random.normal();
    }
    const auto noisy = fit_chebyshev(points, frame, 1, 3.0, 0);
    squares += std::pow(noisy.surface.evaluate(at), 2);
    predicted = noisy.standard_error(at);
  }
  // Relative error of a variance from 400 trials: sqrt(2/400) = 7%.
  CHECK(std::fabs(squares / trials / (predicted * predicted) - 1.0) < 0.28);
}

TEST_CASE("surface fits that cannot be done say so", "[chebyshev]") {
  const auto few = scattered(5, 42);
  CHECK(fit_chebyshev(few, frame, 2).status == FitStatus::singular);
  CHECK(fit_chebyshev({}, frame, 0).status == FitStatus::singular);
  auto line = scattered(50, 43);
  for (auto& p : line) p.y = 100.0;
  CHECK(fit_chebyshev(line, frame, 1).status == FitStatus::singular);
  CHECK_THROWS_AS(fit_chebyshev(few, frame, 32), Error);
  CHECK_THROWS_AS(fit_chebyshev(few, frame, -1), Error);
  CHECK_THROWS_AS(fit_chebyshev(few, Size{0, 5}, 1), Error);
}
