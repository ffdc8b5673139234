#include <algorithm>
#include <array>
#include <atomic>
#include <cmath>
#include <utility>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/sensor/defects.hpp"
#include "sensor/local_median.hpp"

namespace coldframe::sensor {
namespace {

constexpr int rows_per_band = 64;
/// Lights in which a star may hide a defect: a fifth, of eight or more a quarter.
constexpr std::size_t spare_lights(std::size_t lights) {
  return lights >= 8 ? lights / 4 : lights / 5;
}
/// Of the median deviation: a defect is as bright in every light, a star that drifts across is not.
constexpr float steady_share = 0.6F;
constexpr float steady_noise = 0.6F;
/// A star, however sharp, puts at least this share of its peak into the four pixels next to it
/// (pixel-integrated Gaussian of FWHM 1.0 px, centred: 0.157); a defect does not.
constexpr float star_share = 0.13F;
/// What counts as the same star at the same pixel in another light.
constexpr float same_star = 0.25F;
constexpr float same_least = 3.5F;  // in noise
constexpr double staying_share = 0.6;
/// Of its height above the sky a defect puts at least this into its deviation; the flank of a
/// bright star hardly deviates from its neighbours.
constexpr float sharp_share = 0.3F;

/// Deviations from the local median of rows y0-1 .. y1 of one light.
class Deviations {
 public:
  Deviations(PlaneView<const float> light, int step, int y0, int y1)
      : first_(y0 - 1), light_(light), plane_(light.width(), y1 - y0 + 2) {
    LocalMedian median(light, step);
    for (int y = std::max(first_, 0); y < std::min(y1 + 1, light.height()); ++y) {
      const float* const local = median.row(y);
      const auto from = light.row(y);
      const auto to = plane_.row(y - first_);
      for (std::size_t x = 0; x < to.size(); ++x) to[x] = from[x] - local[x];
    }
  }
  [[nodiscard]] float at(int x, int y) const { return plane_(x, y - first_); }
  [[nodiscard]] bool inside(int x, int y) const {
    return x >= 0 && y >= 0 && x < light_.width() && y < light_.height();
  }
  [[nodiscard]] float value(int x, int y) const { return light_(x, y); }
  /// Mean of the two middle ones of the four next pixels (beyond the edge counts as 0).
  [[nodiscard]] float beside(int x, int y) const { return beside(x, y, {}); }
  /// The same with pixels marked in `known` counted as 0.
  [[nodiscard]] float beside(int x, int y, PlaneView<const std::uint8_t> known) const {
    const auto get = [&](int u, int v) {
      const bool there = inside(u, v) && (known.empty() || known(u, v) == 0);
      return there ? at(u, v) : 0.0F;
    };
    std::array<float, 4> four{get(x - 1, y), get(x + 1, y), get(x, y - 1), get(x, y + 1)};
    std::sort(four.begin(), four.end());
    return 0.5F * (four[1] + four[2]);
  }

 private:
  int first_;
  PlaneView<const float> light_;
  Grid<float> plane_;
};

std::vector<Deviations> deviations_of(std::span<const PlaneView<const float>> lights, int step,
                                      int y0, int y1) {
  std::vector<Deviations> result;
  result.reserve(lights.size());
  for (const auto& light : lights) result.emplace_back(light, step, y0, y1);
  return result;
}

// Neighbours two pixels off serve a mosaic's colours, and without a mosaic too: one pixel off a
// sharp star would lift its own reference.
int reference_step(CfaPattern cfa) { return std::max(colour_step(cfa), 2); }

/// One pixel in all lights.
class PixelHistory {
 public:
  explicit PixelHistory(std::size_t lights) { values_.reserve(lights); }

  /// +1 hot, -1 cold, 0 neither.
  int judge(const std::vector<Deviations>& lights, int x, int y, float kappa, bool shape_counts,
            PlaneView<const std::uint8_t> known) {
    std::size_t above = 0;
    std::size_t below = 0;
    const float half = 0.5F * kappa;
    for (const auto& light : lights) {
      const float value = light.at(x, y);
      above += value > half ? 1U : 0U;
      below += value < -half ? 1U : 0U;
    }
    if (2 * std::max(above, below) < lights.size()) return 0;
    const float sign = above >= below ? 1.0F : -1.0F;
    values_.clear();
    for (const auto& light : lights) {
      const float value = sign * light.at(x, y);
      if (std::abs(value) < 3.0e38F) values_.push_back(value);
    }
    if (values_.size() < 3) return 0;
    std::sort(values_.begin(), values_.end());
    const std::size_t count = values_.size();
    const float middle = 0.5F * (values_[(count - 1) / 2] + values_[count / 2]);
    // 1.25: error of a median over that of a mean.
    const float error = 1.25F / std::sqrt(static_cast<float>(count));
    if (middle <= kappa - std::min(2.0F * error, 1.5F)) return 0;
    const std::size_t spare = spare_lights(count);
    if (values_[spare] < steady_share * middle - steady_noise) return 0;
    if (steady_share * (values_[count - 1 - spare] - steady_noise) > middle) return 0;
    if (shape_counts && part_of_star(lights, x, y, sign, known)) return 0;
    return sign > 0.0F ? 1 : -1;
  }

 private:
  /// By the sums over all lights: neighbours share in a star's light, and one of them outshines a
  /// pixel of its flank.
  static bool part_of_star(const std::vector<Deviations>& lights, int x, int y, float sign,
                           PlaneView<const std::uint8_t> known) {
    float own = 0.0F;
    float beside = 0.0F;
    float above_sky = 0.0F;
    std::array<float, 9> around{};
    for (const auto& light : lights) {
      own += sign * light.at(x, y);
      beside += sign * light.beside(x, y, known);
      above_sky += sign * light.value(x, y);
      for (int k = 0; k < 9; ++k) {
        const int u = x + k % 3 - 1;
        const int v = y + k / 3 - 1;
        if (light.inside(u, v) && known(u, v) == 0)
          around[static_cast<std::size_t>(k)] += sign * light.value(u, v);
      }
    }
    around[4] = 0.0F;
    return beside > star_share * own || own < sharp_share * above_sky ||
           *std::max_element(around.begin(), around.end()) > above_sky;
  }

  std::vector<float> values_;
};

bool beside_marked(PlaneView<const std::uint8_t> mask, int x, int y) {
  for (int v = std::max(y - 1, 0); v <= std::min(y + 1, mask.height() - 1); ++v) {
    for (int u = std::max(x - 1, 0); u <= std::min(x + 1, mask.width() - 1); ++u) {
      if (mask(u, v) != 0) return true;
    }
  }
  return false;
}

/// Gaps of a line, where a star hid it in too many lights: three of the four next pixels to both
/// sides along a column or a row are marked.
std::int64_t close_gaps(PlaneView<std::uint8_t> mask) {
  std::vector<std::pair<int, int>> gaps;
  const auto marked = [&](int x, int y) {
    return x >= 0 && y >= 0 && x < mask.width() && y < mask.height() && mask(x, y) != 0;
  };
  const auto in_line = [&](int x, int y, int dx, int dy) {
    for (const int side : {-1, 1}) {
      int count = 0;
      for (int k = 1; k <= 4; ++k) count += marked(x + side * k * dx, y + side * k * dy) ? 1 : 0;
      if (count < 3) return false;
    }
    return true;
  };
  for (int y = 0; y < mask.height(); ++y) {
    for (int x = 0; x < mask.width(); ++x) {
      if (mask(x, y) != 0) continue;
      // Cheap first: next pixels, of which one at least is marked in a line.
      if ((marked(x, y - 1) || marked(x, y + 1)) && in_line(x, y, 0, 1)) {
        gaps.emplace_back(x, y);
      } else if ((marked(x - 1, y) || marked(x + 1, y)) && in_line(x, y, 1, 0)) {
        gaps.emplace_back(x, y);
      }
    }
  }
  for (const auto& [x, y] : gaps) mask(x, y) = mask_bit::defect;
  return static_cast<std::int64_t>(gaps.size());
}

}  // namespace

PeakCount count_peaks(std::span<const PlaneView<const float>> lights, CfaPattern cfa,
                      double kappa) {
  PeakCount count;
  if (lights.size() < 3) return count;
  const int height = lights.front().height();
  const auto all = deviations_of(lights, reference_step(cfa), 0, height);
  const auto least = static_cast<float>(2.0 * kappa);
  const auto needed =
      static_cast<std::size_t>(std::ceil(staying_share * static_cast<double>(lights.size())));
  for (int y = 1; y + 1 < height; ++y) {
    for (int x = 1; x + 1 < lights.front().width(); ++x) {
      const float peak = all.front().at(x, y);
      if (!(peak > least) || !(peak < 3.0e38F)) continue;
      const bool highest = peak >= all.front().at(x - 1, y) && peak > all.front().at(x + 1, y) &&
                           peak >= all.front().at(x, y - 1) && peak > all.front().at(x, y + 1);
      if (!highest || all.front().beside(x, y) < 1.3F * star_share * peak) continue;
      ++count.stars;
      const auto same = static_cast<std::size_t>(
          std::count_if(all.begin(), all.end(), [&](const Deviations& light) {
            return light.at(x, y) > std::max(same_star * peak, same_least);
          }));
      if (same >= needed) ++count.staying;
    }
  }
  return count;
}

DefectReport find_defects_in_lights(std::span<const PlaneView<const float>> lights, CfaPattern cfa,
                                    double kappa, bool sky_moves, PlaneView<std::uint8_t> mask,
                                    Threads threads) {
  for (const auto& light : lights) {
    if (light.size() != mask.size()) {
      throw Error(ErrorKind::usage, "", "lights and defect map differ in size", "");
    }
  }
  DefectReport report;
  if (lights.size() < 3 || mask.empty()) return report;
  std::atomic<std::int64_t> hot{0}, cold{0};
  // Two looks: the second sees who stood beside a brighter defect and passed for its flank.
  for (const bool second : {false, true}) {
    if (second && sky_moves) break;
    Mask fresh(mask.size());
    parallel_bands(threads, mask.height(), rows_per_band, [&](int y0, int y1) {
      const auto all = deviations_of(lights, reference_step(cfa), y0, y1);
      PixelHistory history(lights.size());
      for (int y = y0; y < y1; ++y) {
        for (int x = 0; x < mask.width(); ++x) {
          if (second && (mask(x, y) != 0 || !beside_marked(mask, x, y))) continue;
          const int verdict = history.judge(all, x, y, static_cast<float>(kappa), !sky_moves, mask);
          if (verdict == 0) continue;
          fresh(x, y) = mask_bit::defect;
          (verdict > 0 ? hot : cold) += 1;
        }
      }
    });
    for (int y = 0; y < mask.height(); ++y) {
      const auto from = fresh.row(y);
      const auto to = mask.row(y);
      for (std::size_t x = 0; x < to.size(); ++x)
        to[x] = static_cast<std::uint8_t>(to[x] | from[x]);
    }
  }
  hot += close_gaps(mask);
  report.hot = hot;
  report.cold = cold;
  return report;
}

}  // namespace coldframe::sensor
