#include "coldframe/sensor/code_levels.hpp"

#include <algorithm>
#include <cmath>
#include <numeric>

namespace coldframe::sensor {
namespace {

/// So many pixels at one highest code are no accident.
constexpr std::uint64_t least_pile = 8;
/// A pile is this much higher than the codes beneath it.
constexpr double pile_factor = 6.0;
constexpr std::uint64_t least_crowd = 16;
constexpr double crowd_factor = 8.0;
/// So many pixels above a crowd are passed over (hot ones that overshoot).
constexpr std::uint64_t strays = 8;
/// A code that holds fewer than this share of the pixels does not decide on the step.
constexpr double stray_share = 2e-6;
/// A gap between codes is real when so many pixels were to be expected in it.
constexpr double expected_in_gap = 12.0;

struct Entry {
  int code;
  std::uint64_t count;
};

std::vector<Entry> used_codes(const CodeHistogram& histogram) {
  std::vector<Entry> used;
  const auto& counts = histogram.counts();
  for (std::size_t i = 0; i < counts.size(); ++i) {
    if (counts[i] > 0) {
      used.push_back({CodeHistogram::lowest_code + static_cast<int>(i), counts[i]});
    }
  }
  return used;
}

// Greatest common divisor of the distances between codes that a few stray pixels cannot have made.
int common_divisor(const std::vector<Entry>& used, std::uint64_t pixels) {
  const auto least = static_cast<std::uint64_t>(stray_share * static_cast<double>(pixels));
  int divisor = 0;
  std::optional<int> first;
  for (const auto& entry : used) {
    if (entry.count <= least) continue;
    if (!first) first = entry.code;
    divisor = std::gcd(divisor, entry.code - *first);
    if (divisor == 1) break;
  }
  return divisor;
}

struct Gap {
  int code;
  int width;
};

// Distances of neighbouring codes where the histogram is dense enough to know that none is missing
// by chance.
std::vector<Gap> sure_gaps(const std::vector<Entry>& used) {
  constexpr std::size_t around = 4;
  std::vector<Gap> gaps;
  for (std::size_t i = 0; i + 1 < used.size(); ++i) {
    const int width = used[i + 1].code - used[i].code;
    const std::size_t low = i >= around ? i - around : 0;
    const std::size_t high = std::min(i + 1 + around, used.size() - 1);
    double count = 0.0;
    for (std::size_t k = low; k <= high; ++k) count += static_cast<double>(used[k].count);
    const double density = count / static_cast<double>(used[high].code - used[low].code + 1);
    if (width == 1 || density * (width - 1) >= expected_in_gap) {
      gaps.push_back({used[i].code, width});
    }
  }
  return gaps;
}

int median_width(std::vector<Gap>::const_iterator first, std::vector<Gap>::const_iterator last) {
  std::vector<int> widths;
  for (auto it = first; it != last; ++it) widths.push_back(it->width);
  std::nth_element(widths.begin(), widths.begin() + static_cast<std::ptrdiff_t>(widths.size() / 2),
                   widths.end());
  return widths[widths.size() / 2];
}

void find_steps(const std::vector<Entry>& used, std::uint64_t pixels, CodeLevels& levels) {
  const int divisor = common_divisor(used, pixels);
  levels.step = divisor > 0 ? divisor : 1.0;
  levels.step_high = levels.step;
  const auto gaps = sure_gaps(used);
  constexpr std::size_t enough = 24;
  if (gaps.size() < enough) return;
  const auto tenth = static_cast<std::ptrdiff_t>(std::max(gaps.size() / 10, std::size_t{8}));
  const int low = median_width(gaps.begin(), gaps.begin() + tenth);
  const int high = median_width(gaps.end() - tenth, gaps.end());
  // Data scaled by a factor that is no integer step by two neighbouring widths.
  levels.lossy = high >= 2 * low && high > low + 1;
  if (divisor <= 1) {
    const bool even = low == high || (!levels.lossy && high <= low + 1);
    levels.step = low;
    levels.step_high = even ? low : high;
  } else if (levels.lossy) {
    levels.step = low;
    levels.step_high = high;
  }
}

std::uint64_t count_between(const std::vector<Entry>& used, double low, double high) {
  std::uint64_t count = 0;
  for (const auto& entry : used) {
    if (entry.code > low && entry.code <= high) count += entry.count;
  }
  return count;
}

// Many pixels at the highest code (or, under a few strays, near it).
std::optional<Saturation> find_pile(const std::vector<Entry>& used, double floor, double step) {
  std::uint64_t above = 0;
  for (auto it = used.rbegin(); it != used.rend(); ++it) {
    const double reach = it->code - floor;
    if (!(reach > 8.0 * step)) return std::nullopt;
    if (it->count >= least_pile) {
      const double window = std::max(0.05 * reach, 8.0 * step);
      const double beneath =
          static_cast<double>(count_between(used, it->code - window - 1.0, it->code - 0.5)) * step /
          window;
      const bool pile =
          static_cast<double>(it->count) > pile_factor * std::max(beneath, 1.0 / pile_factor);
      // Strays above a pile must be few against it.
      if (pile && above * 10 <= it->count) {
        return Saturation{static_cast<double>(it->code), SaturationSign::pile, it->count + above};
      }
    }
    above += it->count;
    if (above > strays) return std::nullopt;
  }
  return std::nullopt;
}

// Full wells below the converter's end: a crowd within a hundredth of one level.
std::optional<Saturation> find_crowd(const std::vector<Entry>& used, double floor) {
  std::uint64_t above = 0;
  double top = used.back().code;
  for (auto it = used.rbegin(); it != used.rend(); ++it) {
    above += it->count;
    top = it->code;
    if (above >= strays) break;
  }
  const double step = 0.01 * (top - floor);
  if (!(step > 4.0)) return std::nullopt;
  const auto crowded = count_between(used, top - step, 1e9);
  const double beneath =
      static_cast<double>(count_between(used, top - 6.0 * step, top - step)) / 5.0;
  const bool crowd = crowded >= least_crowd &&
                     static_cast<double>(crowded) > crowd_factor * std::max(beneath, 1.0);
  if (!crowd) return std::nullopt;
  return Saturation{top - step, SaturationSign::crowd, crowded};
}

// Data wider than 16 bits: their codes are not counted one by one, so only a pile at the highest
// value tells of saturation.
CodeLevels wide_levels(const CodeHistogram& histogram, CodeLevels levels) {
  levels.step = levels.step_high = levels.integers ? 1.0 : 0.0;
  levels.highest = histogram.highest_above();
  if (histogram.at_highest_above() >= least_pile) {
    levels.saturation =
        Saturation{levels.highest, SaturationSign::pile, histogram.at_highest_above()};
  }
  return levels;
}

// Code that a twentieth of the pixels do not exceed: sky or dark level, even of saturated frames.
double low_code(const std::vector<Entry>& used, std::uint64_t pixels) {
  std::uint64_t below = 0;
  for (const auto& entry : used) {
    below += entry.count;
    if (20 * below >= pixels) return entry.code;
  }
  return used.back().code;
}

}  // namespace

CodeHistogram::CodeHistogram()
    : counts_(static_cast<std::size_t>(highest_code - lowest_code + 1), 0) {}

void CodeHistogram::add(PlaneView<const float> pixels) {
  for (int y = 0; y < pixels.height(); ++y) {
    for (const float value : pixels.row(y)) {
      if (!std::isfinite(value)) continue;
      if (value >= static_cast<float>(highest_code) + 0.5F) {
        add_above(static_cast<double>(value), 1);
        ++above_;
        continue;
      }
      if (!(value > static_cast<float>(lowest_code) - 0.5F)) continue;
      const float rounded = std::floor(value + 0.5F);
      if (rounded != value) ++between_;
      ++counts_[static_cast<std::size_t>(static_cast<int>(rounded) - lowest_code)];
      ++pixels_;
    }
  }
}

void CodeHistogram::add(const CodeHistogram& other) {
  for (std::size_t i = 0; i < counts_.size(); ++i) counts_[i] += other.counts_[i];
  pixels_ += other.pixels_;
  between_ += other.between_;
  add_above(other.highest_above_, other.at_highest_above_);
  above_ += other.above_;
}

void CodeHistogram::add_above(double value, std::uint64_t pixels) {
  if (value > highest_above_) {
    highest_above_ = value;
    at_highest_above_ = 0;
  }
  if (value == highest_above_) at_highest_above_ += pixels;
}

CodeLevels find_code_levels(const CodeHistogram& histogram, CodesOf frames) {
  CodeLevels levels;
  levels.integers = histogram.between_codes() == 0;
  if (histogram.above() > strays) return wide_levels(histogram, levels);
  const auto used = used_codes(histogram);
  if (used.empty()) return levels;
  levels.lowest = used.front().code;
  levels.highest = used.back().code;
  if (levels.integers) {
    find_steps(used, histogram.pixels(), levels);
  } else {
    levels.step = levels.step_high = 0.0;
  }
  const double floor = low_code(used, histogram.pixels());
  const double step = std::max(levels.step_high, 1.0);
  levels.saturation = find_pile(used, floor, step);
  if (!levels.saturation && frames == CodesOf::lights) levels.saturation = find_crowd(used, floor);
  return levels;
}

double converter_end(const CodeLevels& levels) noexcept {
  if (!levels.integers && levels.lowest >= 0.0 && levels.highest <= 1.0) return 1.0;
  const double codes = std::max(65536.0, std::exp2(std::ceil(std::log2(levels.highest + 1.0))));
  return codes - std::max(levels.step_high, 1.0);
}

}  // namespace coldframe::sensor
