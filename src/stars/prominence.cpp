#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

#include "stars/detect.hpp"
#include "stars/neighbour_grid.hpp"

namespace coldframe::stars {
namespace {

class Prominence {
 public:
  Prominence(const DetectionFrame& frame, const FilteredFrame& filtered, double threshold)
      : values_(filtered.values),
        threshold_(threshold),
        fwhm_(filtered.fwhm_px),
        zero_(filtered.zero),
        unit_(1.0 / filtered.noise_ratio) {
    const double sigma = frame.sky->median_noise();
    photon_ = frame.gain_e_per_unit > 0.0 && sigma > 0.0
                  ? filtered.norm2d * filtered.noise_ratio / (frame.gain_e_per_unit * sigma)
                  : 0.0;
    for (int k = 0; k < directions; ++k) {
      const auto i = static_cast<std::size_t>(k);
      ring_[i] = step_towards(2.0 * std::numbers::pi * k / directions, 2.2);
      lines_[i] = line_towards(std::numbers::pi * k / directions);
    }
  }

  /// Noise of the filtered image on top of `level`, relative to empty sky.
  [[nodiscard]] double noise_on(double level) const noexcept {
    return std::sqrt(1.0 + std::max(0.0, level) * photon_);
  }

  /// Median of the filtered image on a ring two widths out.
  [[nodiscard]] double surroundings(const Peak& peak) const noexcept {
    std::array<double, directions> ring{};
    int count = 0;
    if (has_room(peak)) {
      for (const Step& step : ring_) {
        ring[static_cast<std::size_t>(count++)] = at(peak.x + step.x, peak.y + step.y);
      }
      return ring_level(ring, count);
    }
    for (const Step& step : ring_) {
      const int x = peak.x + step.x;
      const int y = peak.y + step.y;
      if (whole(values_.size()).contains(x, y)) ring[static_cast<std::size_t>(count++)] = at(x, y);
    }
    return ring_level(ring, count);
  }

  struct Ridge {
    double level = 0.0;  ///< 0: none
    double angle = 0.0;
  };
  /// Level of a straight line through the peak: the best direction's lowest value at two
  /// distances on both sides. High on trails and diffraction spikes, whose own noise would
  /// otherwise pass for a row of stars.
  [[nodiscard]] Ridge line_through(const Peak& peak) const noexcept {
    Ridge best = has_room(peak) ? best_of_lines(peak) : Ridge{};
    for (int k = 0; k < directions && !has_room(peak); ++k) {
      try_line(peak, lines_[static_cast<std::size_t>(k)], std::numbers::pi * k / directions, best);
    }
    if (best.level <= 2.0) return {};
    // Half the steps between directions cost a narrow line a fifth of its level.
    for (const double step : {1.0 / 2.0, 1.0 / 4.0}) {
      const double middle = best.angle;
      for (const double side : {-1.0, 1.0}) {
        const double angle = middle + side * step * std::numbers::pi / directions;
        try_line(peak, line_towards(angle), angle, best);
      }
    }
    return best;
  }

  /// Steps to both sides over which the line keeps at least 0.4 of its level.
  [[nodiscard]] int steps_along(const Peak& peak, double level, double angle) const noexcept {
    constexpr int furthest = 8;
    int steps = 0;
    for (const double side : {-1.0, 1.0}) {
      for (int k = 1; k <= furthest; ++k) {
        const double r = side * 2.2 * k * fwhm_;
        const int x = static_cast<int>(std::lround(peak.x + r * std::cos(angle)));
        const int y = static_cast<int>(std::lround(peak.y + r * std::sin(angle)));
        if (!whole(values_.size()).contains(x, y) || at(x, y) < 0.4 * level) break;
        ++steps;
      }
    }
    return steps;
  }

  /// Lowest filtered value on the straight way between two peaks.
  [[nodiscard]] double saddle(const Peak& a, const Peak& b) const noexcept {
    const int steps = std::max(std::abs(a.x - b.x), std::abs(a.y - b.y));
    double lowest = std::min(static_cast<double>(a.value), static_cast<double>(b.value));
    for (int k = 1; k < steps; ++k) {
      const double t = static_cast<double>(k) / steps;
      const int x = static_cast<int>(std::lround(a.x + t * (b.x - a.x)));
      const int y = static_cast<int>(std::lround(a.y + t * (b.y - a.y)));
      lowest = std::min(lowest, at(x, y));
    }
    return lowest;
  }

  /// How far a brighter peak's flank can carry false maxima.
  [[nodiscard]] double reach_of(const Peak& peak) const noexcept {
    const double excess = std::max(1.0, peak.value / (20.0 * threshold_));
    return fwhm_ * std::min(3.0 + 0.8 * std::log2(excess), 10.0);
  }
  [[nodiscard]] double longest_reach() const noexcept { return 10.0 * fwhm_; }

  [[nodiscard]] bool stands_out(const Peak& peak, double pedestal) const noexcept {
    return peak.value - pedestal >= threshold_ * noise_on(pedestal);
  }
  [[nodiscard]] bool is_own(const Peak& peak, const Peak& brighter) const noexcept {
    const double low = saddle(peak, brighter);
    if (low <= 0.0) return true;
    const double rise = peak.value - low;
    // Real profiles are not smooth to better than about half a percent of their peak.
    return rise >= 3.0 * noise_on(low) && rise >= 0.004 * brighter.value;
  }

 private:
  struct Step {
    int x = 0;
    int y = 0;
  };
  using Line = std::array<Step, 4>;
  static constexpr int directions = 16;
  /// Whether ring and lines lie within the frame.
  [[nodiscard]] bool has_room(const Peak& peak) const noexcept {
    const int reach = static_cast<int>(std::ceil(4.4 * fwhm_)) + 1;
    return peak.x >= reach && peak.y >= reach && peak.x + reach < values_.width() &&
           peak.y + reach < values_.height();
  }
  [[nodiscard]] static double ring_level(std::array<double, directions>& ring, int count) noexcept {
    if (count < 4) return 0.0;
    std::nth_element(ring.begin(), ring.begin() + count / 2, ring.begin() + count);
    const double level = ring[static_cast<std::size_t>(count / 2)];
    // Below this it is the ring's own noise, and subtracting it would only lose faint stars.
    return level > 1.5 ? level : 0.0;
  }
  /// The same as trying every line. All values are fetched before any is judged: they come from
  /// far apart in memory, and fetches that wait for no decision run side by side.
  [[nodiscard]] Ridge best_of_lines(const Peak& peak) const noexcept {
    std::array<float, directions> lowest;
    for (std::size_t k = 0; k < lowest.size(); ++k) {
      const Line& line = lines_[k];
      float low = values_(peak.x + line[0].x, peak.y + line[0].y);
      for (std::size_t r = 1; r < line.size(); ++r) {
        low = std::min(low, values_(peak.x + line[r].x, peak.y + line[r].y));
      }
      lowest[k] = low;
    }
    Ridge best;
    for (std::size_t k = 0; k < lowest.size(); ++k) {
      const double level = (static_cast<double>(lowest[k]) - zero_) * unit_;
      if (level > best.level) {
        best = {level, std::numbers::pi * static_cast<double>(k) / directions};
      }
    }
    return best;
  }
  [[nodiscard]] Step step_towards(double angle, double widths) const noexcept {
    return {static_cast<int>(std::lround(widths * fwhm_ * std::cos(angle))),
            static_cast<int>(std::lround(widths * fwhm_ * std::sin(angle)))};
  }
  [[nodiscard]] Line line_towards(double angle) const noexcept {
    constexpr std::array<double, 4> reach{-4.4, -2.2, 2.2, 4.4};
    Line line;
    for (std::size_t r = 0; r < reach.size(); ++r) line[r] = step_towards(angle, reach[r]);
    return line;
  }
  void try_line(const Peak& peak, const Line& line, double angle, Ridge& best) const noexcept {
    double lowest = 1e30;
    for (const Step& step : line) {
      const int x = peak.x + step.x;
      const int y = peak.y + step.y;
      lowest = std::min(lowest, whole(values_.size()).contains(x, y) ? at(x, y) : 0.0);
      if (lowest <= best.level) return;
    }
    best = {lowest, angle};
  }
  [[nodiscard]] double at(int x, int y) const noexcept {
    return (static_cast<double>(values_(x, y)) - zero_) * unit_;
  }
  const Grid<float>& values_;
  double threshold_;
  double fwhm_;
  double zero_;
  double unit_;
  double photon_ = 0.0;
  std::array<Step, directions> ring_{};
  std::array<Line, directions> lines_{};
};

bool brighter_than(const std::vector<Peak>& peaks, std::size_t other, std::size_t self) noexcept {
  return peaks[other].value > peaks[self].value ||
         (peaks[other].value == peaks[self].value && other < self);
}

}  // namespace

std::vector<Peak> keep_prominent(const DetectionFrame& frame, const FilteredFrame& filtered,
                                 std::vector<Peak> peaks, double threshold, Threads threads) {
  const Prominence prominence(frame, filtered, threshold);
  std::vector<Point> places(peaks.size());
  for (std::size_t i = 0; i < peaks.size(); ++i) {
    places[i] = {static_cast<double>(peaks[i].x), static_cast<double>(peaks[i].y)};
  }
  const NeighbourGrid grid(places, filtered.values.size(), 3.0 * filtered.fwhm_px);
  double longest = 3.0 * filtered.fwhm_px;
  std::vector<double> reach(peaks.size());
  for (std::size_t i = 0; i < peaks.size(); ++i) {
    reach[i] = prominence.reach_of(peaks[i]);
    longest = std::max(longest, reach[i]);
  }
  std::vector<std::uint8_t> keep(peaks.size(), 0);
  const auto order = by_rows(peaks, filtered.values.height());
  constexpr std::size_t chunk = 64;
  parallel_for(threads, (peaks.size() + chunk - 1) / chunk, [&](std::size_t c) {
    for (std::size_t k = c * chunk; k < std::min(peaks.size(), (c + 1) * chunk); ++k) {
      const std::size_t i = order[k];
      Peak& peak = peaks[i];
      const auto line = prominence.line_through(peak);
      peak.line = static_cast<float>(line.level);
      peak.line_angle = static_cast<float>(line.angle);
      if (line.level > 0.0) peak.line_steps = prominence.steps_along(peak, line.level, line.angle);
      const double around = std::max(prominence.surroundings(peak), line.level);
      peak.pedestal = static_cast<float>(around);
      bool own = prominence.stands_out(peak, around);
      if (own) {
        grid.near(places[i], longest, [&](std::size_t j, double d2) {
          if (!own || j == i || !brighter_than(peaks, j, i)) return;
          if (d2 <= reach[j] * reach[j]) own = prominence.is_own(peak, peaks[j]);
        });
      }
      keep[i] = own ? 1 : 0;
    }
  });
  std::vector<Peak> kept;
  for (std::size_t i = 0; i < peaks.size(); ++i) {
    if (keep[i] != 0) kept.push_back(peaks[i]);
  }
  return kept;
}

}  // namespace coldframe::stars
