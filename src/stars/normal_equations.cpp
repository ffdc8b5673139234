#include "stars/normal_equations.hpp"

#include <cmath>

namespace coldframe::stars {

bool cholesky(const double* h, std::size_t n, std::size_t stride, double damping,
              double* l) noexcept {
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j <= i; ++j) {
      const double diagonal = h[i * stride + i];
      double sum = i == j ? diagonal * (1.0 + damping) : h[i * stride + j];
      for (std::size_t k = 0; k < j; ++k) sum -= l[i * stride + k] * l[j * stride + k];
      if (i == j) {
        if (!(sum > 1e-13 * diagonal)) return false;
        l[i * stride + i] = std::sqrt(sum);
      } else {
        l[i * stride + j] = sum / l[j * stride + j];
      }
    }
  }
  return true;
}

void cholesky_solve(const double* l, std::size_t n, std::size_t stride, double* v) noexcept {
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t k = 0; k < i; ++k) v[i] -= l[i * stride + k] * v[k];
    v[i] /= l[i * stride + i];
  }
  for (std::size_t i = n; i-- > 0;) {
    for (std::size_t k = i + 1; k < n; ++k) v[i] -= l[k * stride + i] * v[k];
    v[i] /= l[i * stride + i];
  }
}

double quadratic_form(const double* h, std::size_t n, std::size_t stride,
                      const double* v) noexcept {
  double sum = 0.0;
  for (std::size_t a = 0; a < n; ++a) {
    for (std::size_t b = 0; b < n; ++b) sum += v[a] * h[a * stride + b] * v[b];
  }
  return sum;
}

}  // namespace coldframe::stars
