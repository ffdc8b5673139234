#include "sensor/flat_gradient.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <optional>
#include <span>
#include <vector>

#include "coldframe/core/least_squares.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

constexpr int cells = 24;  // along the longer side
constexpr std::size_t terms = 9;
constexpr double outlier_sigma = 4.0;

struct Plane {
  // Per half frame. The logarithm of 1 + x u + y v has these slopes; what it bends is even.
  double x = 0.0, y = 0.0;
};

/// Coordinates -1 .. 1 over the frame.
double place(double pixel, int size) { return 2.0 * (pixel + 0.5) / size - 1.0; }

std::array<double, terms> terms_at(double x, double y) {
  return {1.0, x, y, x * x, x * y, y * y, x * x * x * x, x * x * y * y, y * y * y * y};
}

struct Cells {
  std::vector<double> design, values;
};

Cells cells_of(const Grid<float>& value, const Mask& mask, CfaPattern cfa, int colour) {
  Cells result;
  const int side = std::max(std::max(value.width(), value.height()) / cells, 4);
  std::vector<float> pixels;
  for (int y0 = 0; y0 < value.height(); y0 += side) {
    for (int x0 = 0; x0 < value.width(); x0 += side) {
      pixels.clear();
      const int y1 = std::min(y0 + side, value.height());
      const int x1 = std::min(x0 + side, value.width());
      for (int y = y0; y < y1; ++y) {
        for (int x = x0; x < x1; ++x) {
          if (mask(x, y) == 0 && cfa_colour(cfa, x, y) == colour) pixels.push_back(value(x, y));
        }
      }
      if (pixels.size() < 4) continue;
      const auto level = static_cast<double>(median_in_place(std::span<float>(pixels)));
      if (!(level > 0.0)) continue;
      const auto row = terms_at(place(0.5 * (x0 + x1 - 1), value.width()),
                                place(0.5 * (y0 + y1 - 1), value.height()));
      result.design.insert(result.design.end(), row.begin(), row.end());
      result.values.push_back(std::log(level));
    }
  }
  return result;
}

std::optional<Plane> fit_plane(const Cells& all) {
  std::vector<double> weights(all.values.size(), 1.0);
  std::optional<Plane> plane;
  for (int pass = 0; pass < 4; ++pass) {
    const auto used = static_cast<std::size_t>(std::count(weights.begin(), weights.end(), 1.0));
    if (used < 4 * terms) return std::nullopt;
    const auto fit = linear_least_squares(all.design, terms, all.values, weights);
    if (fit.status != FitStatus::converged) return std::nullopt;
    plane = Plane{fit.coefficients[1], fit.coefficients[2]};
    std::vector<double> rest(all.values.size());
    for (std::size_t i = 0; i < rest.size(); ++i) {
      rest[i] = all.values[i];
      for (std::size_t t = 0; t < terms; ++t) {
        rest[i] -= all.design[i * terms + t] * fit.coefficients[t];
      }
    }
    const double sigma = robust_sigma(rest);
    for (std::size_t i = 0; i < rest.size(); ++i) {
      weights[i] = std::fabs(rest[i]) <= outlier_sigma * sigma ? 1.0 : 0.0;
    }
  }
  return plane;
}

}  // namespace

std::string remove_plane(Grid<float>& value, Grid<float>& variance, const Mask& mask,
                         CfaPattern cfa) {
  constexpr std::array<const char*, 3> names{"red", "green", "blue"};
  const int colours = cfa == CfaPattern::none ? 1 : 3;
  std::array<Plane, 3> planes{};
  std::string told;
  for (int c = 0; c < colours; ++c) {
    const auto plane = fit_plane(cells_of(value, mask, cfa, c));
    if (!plane) return {};
    planes[static_cast<std::size_t>(c)] = *plane;
    told += fmt::format("{}{}{:+.2f}% along x, {:+.2f}% along y", told.empty() ? "" : "; ",
                        colours > 1 ? names[static_cast<std::size_t>(c)] + std::string(": ") : "",
                        200.0 * plane->x, 200.0 * plane->y);
  }
  for (int y = 0; y < value.height(); ++y) {
    for (int x = 0; x < value.width(); ++x) {
      const auto& plane = planes[static_cast<std::size_t>(cfa_colour(cfa, x, y))];
      const double divisor =
          1.0 + plane.x * place(x, value.width()) + plane.y * place(y, value.height());
      value(x, y) = static_cast<float>(static_cast<double>(value(x, y)) / divisor);
      variance(x, y) =
          static_cast<float>(static_cast<double>(variance(x, y)) / (divisor * divisor));
    }
  }
  return "a plane of brightness was taken out, over the whole frame " + told;
}

}  // namespace coldframe::sensor
