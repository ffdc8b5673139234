#include "coldframe/sensor/line_separation.hpp"

#include <cmath>
#include <limits>

namespace coldframe::sensor {
namespace {

/// The normal matrix M' W M of one pixel.
struct Normal {
  double aa = 0.0, ab = 0.0, bb = 0.0;
  void add(const std::array<double, 2>& row, double weight) noexcept {
    aa += weight * row[0] * row[0];
    ab += weight * row[0] * row[1];
    bb += weight * row[1] * row[1];
  }
  [[nodiscard]] double determinant() const noexcept { return aa * bb - ab * ab; }
  /// Ratio of the singular values of the weighted matrix with columns of length 1.
  [[nodiscard]] double condition() const noexcept {
    if (!(aa > 0.0 && bb > 0.0)) return std::numeric_limits<double>::infinity();
    const double cosine = std::fabs(ab) / std::sqrt(aa * bb);
    return cosine < 1.0 ? std::sqrt((1.0 + cosine) / (1.0 - cosine))
                        : std::numeric_limits<double>::infinity();
  }
};

struct Pixel {
  float line[2];
  float sd[2];
};

Pixel separate(const double (&value)[3], const double (&sd)[3], const Crosstalk& crosstalk) {
  constexpr float none = std::numeric_limits<float>::quiet_NaN();
  Normal normal;
  double a = 0.0;
  double b = 0.0;
  for (std::size_t c = 0; c < 3; ++c) {
    if (!std::isfinite(value[c]) || !(sd[c] > 0.0) || !std::isfinite(sd[c])) continue;
    const double weight = 1.0 / (sd[c] * sd[c]);
    const auto& row = crosstalk.response[c];
    normal.add(row, weight);
    a += weight * row[0] * value[c];
    b += weight * row[1] * value[c];
  }
  if (!(normal.condition() < Crosstalk::worst_condition)) return {{none, none}, {none, none}};
  const double inverse = 1.0 / normal.determinant();
  return {{static_cast<float>(inverse * (normal.bb * a - normal.ab * b)),
           static_cast<float>(inverse * (normal.aa * b - normal.ab * a))},
          {static_cast<float>(std::sqrt(inverse * normal.bb)),
           static_cast<float>(std::sqrt(inverse * normal.aa))}};
}

}  // namespace

double Crosstalk::condition() const noexcept {
  Normal normal;
  for (const auto& row : response) normal.add(row, 1.0);
  return normal.condition();
}

std::vector<std::string> Crosstalk::faults() const {
  std::vector<std::string> faults;
  bool numbers = true;
  for (const auto& row : response) {
    for (const double entry : row) numbers = numbers && std::isfinite(entry) && entry >= 0.0;
  }
  if (!numbers) faults.emplace_back("crosstalk must be six numbers, none negative");
  for (std::size_t line = 0; numbers && line < 2; ++line) {
    if (!(response[0][line] + response[1][line] + response[2][line] > 0.0)) {
      faults.emplace_back("crosstalk has a line that no colour sees");
    }
  }
  if (faults.empty() && !(condition() < worst_condition)) {
    faults.emplace_back("crosstalk is so alike for both lines that they cannot be told apart");
  }
  return faults;
}

void separate_lines(const LineBand& band, const Crosstalk& crosstalk) {
  for (int y = 0; y < band.line[0].height(); ++y) {
    for (int x = 0; x < band.line[0].width(); ++x) {
      const double value[3] = {static_cast<double>(band.value[0](x, y)),
                               static_cast<double>(band.value[1](x, y)),
                               static_cast<double>(band.value[2](x, y))};
      const double sd[3] = {static_cast<double>(band.sd[0](x, y)),
                            static_cast<double>(band.sd[1](x, y)),
                            static_cast<double>(band.sd[2](x, y))};
      const Pixel pixel = separate(value, sd, crosstalk);
      for (int line = 0; line < 2; ++line) {
        band.line[line](x, y) = pixel.line[line];
        band.line_sd[line](x, y) = pixel.sd[line];
      }
    }
  }
}

double line_correlation(const Crosstalk& crosstalk, const std::array<double, 3>& sd) noexcept {
  Normal normal;
  for (std::size_t c = 0; c < 3; ++c) {
    if (sd[c] > 0.0) normal.add(crosstalk.response[c], 1.0 / (sd[c] * sd[c]));
  }
  return normal.aa > 0.0 && normal.bb > 0.0 ? -normal.ab / std::sqrt(normal.aa * normal.bb) : 0.0;
}

}  // namespace coldframe::sensor
