#include "coldframe/sensor/line_noise.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdint>
#include <cstring>
#include <span>

#include "coldframe/core/statistics.hpp"

namespace coldframe::sensor {
namespace {

constexpr int cell = 64;
constexpr int usual_cells = 16;  // crossed by a line in the first look
constexpr int least_cells = 6;   // three in each half
constexpr int least_lines = 256;
constexpr float clip = 2.5F;
// What a detrended cell keeps of white line noise: 61 of 64 degrees of freedom.
constexpr double kept_share = 61.0 / 64.0;
/// Line noise below this share of a pixel's noise is left alone.
constexpr double least_share = 0.03;

using Profile = std::array<float, cell>;

struct CellLines {
  Profile rows{};
  Profile columns{};
  double noise = 0.0;  ///< of a pixel
};

/// Level of each of the four colours of a cell and the noise, from every sixteenth pixel.
struct CellLevel {
  float level[4] = {0, 0, 0, 0};
  float noise = 0.0F;
};

CellLevel cell_level(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, int x0,
                     int y0, bool mosaic) {
  CellLevel out;
  std::array<float, 2 * cell> sample{};
  std::array<float, 4 * cell> residue{};
  std::size_t residues = 0;
  for (int phase = 0; phase < 4; ++phase) {
    // Odd steps of rows meet both rows of a mosaic.
    std::size_t count = 0;
    for (const int row : {3, 18, 33, 48}) {
      if (mosaic && ((row ^ (phase >> 1)) & 1) != 0) continue;
      if (!mosaic && (row & 3) != phase) continue;
      const auto values = image.row(y0 + row);
      const auto bits = mask.row(y0 + row);
      for (int x = mosaic ? phase & 1 : 0; x < cell; x += mosaic ? 2 : 1) {
        const auto at = static_cast<std::size_t>(x0 + x);
        if (bits[at] == 0 && count < sample.size()) sample[count++] = values[at];
      }
    }
    if (count < 8) continue;
    const float level = median_in_place(std::span<float>(sample.data(), count));
    out.level[phase] = level;
    for (std::size_t i = 0; i < count && residues < residue.size(); ++i) {
      residue[residues++] = std::abs(sample[i] - level);
    }
  }
  if (!mosaic) {
    // One level for all: the median of the four rows' medians.
    std::array<float, 4> levels{out.level[0], out.level[1], out.level[2], out.level[3]};
    std::sort(levels.begin(), levels.end());
    for (float& level : out.level) level = 0.5F * (levels[1] + levels[2]);
  }
  if (residues >= 32) {
    out.noise = static_cast<float>(mad_to_sigma) *
                median_in_place(std::span<float>(residue.data(), residues));
  }
  return out;
}

/// In a mosaic every second line sees other colours, each with the error of its own level.
void level_parities(Profile& profile) {
  for (std::size_t parity = 0; parity < 2; ++parity) {
    double sum = 0.0;
    for (std::size_t i = parity; i < cell; i += 2) sum += static_cast<double>(profile[i]);
    const auto mean = static_cast<float>(sum / (cell / 2));
    for (std::size_t i = parity; i < cell; i += 2) profile[i] -= mean;
  }
}

/// Takes the quadratic trend out (least squares on Legendre polynomials of the discrete line).
void detrend(Profile& profile) {
  constexpr double half = 0.5 * (cell - 1);
  double s0 = 0.0, s1 = 0.0, s2 = 0.0, n1 = 0.0, n2 = 0.0;
  constexpr double mean_square = (cell * cell - 1) / 12.0;
  for (int i = 0; i < cell; ++i) {
    const double u = i - half;
    const double q = u * u - mean_square;
    const auto v = static_cast<double>(profile[static_cast<std::size_t>(i)]);
    s0 += v;
    s1 += v * u;
    s2 += v * q;
    n1 += u * u;
    n2 += q * q;
  }
  for (int i = 0; i < cell; ++i) {
    const double u = i - half;
    const double trend = s0 / cell + s1 / n1 * u + s2 / n2 * (u * u - mean_square);
    profile[static_cast<std::size_t>(i)] -= static_cast<float>(trend);
  }
}

/// Most rows of a cell are clean.
bool any_set(const std::uint8_t* bits) {
  std::array<std::uint64_t, cell / 8> words{};
  std::memcpy(words.data(), bits, cell);
  std::uint64_t any = 0;
  for (const auto word : words) any |= word;
  return any != 0;
}

/// Takes the marked pixels of a row out and counts them.
float leave_out(const std::uint8_t* bits, Profile& part, Profile& column_bad) {
  float bad = 0.0F;
  for (std::size_t x = 0; x < cell; ++x) {
    if (bits[x] == 0) continue;
    part[x] = 0.0F;
    column_bad[x] += 1.0F;
    bad += 1.0F;
  }
  return bad;
}

CellLines measure_cell(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, int x0,
                       int y0, bool mosaic) {
  CellLines out;
  const CellLevel about = cell_level(image, mask, x0, y0, mosaic);
  if (!(about.noise > 0.0F)) return out;
  out.noise = static_cast<double>(about.noise);
  const float limit = clip * about.noise;
  std::array<Profile, 2> levels{};  // of even and odd rows
  for (std::size_t x = 0; x < cell; ++x) {
    levels[0][x] = about.level[x & 1U];
    levels[1][x] = about.level[2 + (x & 1U)];
  }
  Profile column_bad{};
  for (int y = 0; y < cell; ++y) {
    const float* const values = image.row(y0 + y).data() + x0;
    const std::uint8_t* const bits = mask.row(y0 + y).data() + x0;
    const Profile& level = levels[static_cast<std::size_t>(y & 1)];
    Profile part{};
    for (std::size_t x = 0; x < cell; ++x) {
      const float above = values[x] - level[x];
      const float low = above < -limit ? -limit : above;
      part[x] = low > limit ? limit : low;
    }
    const float bad = any_set(bits) ? leave_out(bits, part, column_bad) : 0.0F;
    for (std::size_t x = 0; x < cell; ++x) out.columns[x] += part[x];
    for (std::size_t width = cell / 2; width > 0; width /= 2) {
      for (std::size_t x = 0; x < width; ++x) part[x] += part[x + width];
    }
    out.rows[static_cast<std::size_t>(y)] = part[0] / std::max(cell - bad, 1.0F);
  }
  for (std::size_t x = 0; x < cell; ++x) out.columns[x] /= std::max(cell - column_bad[x], 1.0F);
  if (mosaic) {
    level_parities(out.rows);
    level_parities(out.columns);
  }
  detrend(out.rows);
  detrend(out.columns);
  return out;
}

struct CellMap {
  int columns = 0;
  int rows = 0;
  std::vector<CellLines> cells;
  [[nodiscard]] const CellLines& at(int i, int j) const {
    return cells[static_cast<std::size_t>(j) * static_cast<std::size_t>(columns) +
                 static_cast<std::size_t>(i)];
  }
};

/// Offsets of all lines of one direction from half of the cells they cross, and from the other.
struct Halves {
  std::vector<double> first, second;
  double pixel_noise_adu = 0.0;
};

Halves line_halves(const CellMap& map, bool rows, int stride,
                   const std::function<double(double, double)>& unit_per_adu) {
  Halves halves;
  const int along = rows ? map.columns : map.rows;
  const int across = rows ? map.rows : map.columns;
  std::vector<double> noises;
  for (int j = 0; j < across; ++j) {
    std::vector<const Profile*> profiles[2];
    std::vector<double> units[2];
    for (int i = 0; i < along; i += stride) {
      const int u = rows ? i : j;
      const int v = rows ? j : i;
      const CellLines& lines = map.at(u, v);
      if (!(lines.noise > 0.0)) continue;
      const double unit = unit_per_adu((u + 0.5) * cell, (v + 0.5) * cell);
      if (!(unit > 0.0)) continue;
      const std::size_t half = 2 * i < along ? 0 : 1;
      profiles[half].push_back(rows ? &lines.rows : &lines.columns);
      units[half].push_back(unit);
      noises.push_back(lines.noise / unit);
    }
    for (std::size_t k = 0; k < cell; ++k) {
      for (const std::size_t half : {0U, 1U}) {
        std::vector<double> values;
        for (std::size_t c = 0; c < profiles[half].size(); ++c) {
          values.push_back(static_cast<double>((*profiles[half][c])[k]) / units[half][c]);
        }
        (half == 0 ? halves.first : halves.second)
            .push_back(values.empty() ? 0.0 : median_in_place(std::span<double>(values)));
      }
    }
  }
  if (!noises.empty()) halves.pixel_noise_adu = median_in_place(std::span<double>(noises));
  return halves;
}

struct Verdict {
  LineNoise noise;
  bool take_out = false;
  std::vector<float> offsets;
};

Verdict judge(const Halves& halves, int lines) {
  Verdict out;
  const std::size_t count = halves.first.size();
  if (count < static_cast<std::size_t>(least_lines)) return out;
  std::vector<double> sum(count), difference(count);
  for (std::size_t i = 0; i < count; ++i) {
    sum[i] = 0.5 * (halves.first[i] + halves.second[i]);
    difference[i] = 0.5 * (halves.first[i] - halves.second[i]);
  }
  const double total = robust_sigma(sum) * robust_sigma(sum);
  const double noise = robust_sigma(difference) * robust_sigma(difference);
  const double shared = std::max(total - noise, 0.0);
  out.noise.measured = true;
  out.noise.before_adu = std::sqrt(shared / kept_share);
  out.noise.after_adu = out.noise.before_adu;
  // 37%: efficiency of the median absolute deviation. Five sigma of the ratio of two variances.
  const double chance = 5.0 * std::sqrt(4.0 / (0.37 * static_cast<double>(count)));
  const double least = least_share * halves.pixel_noise_adu;
  out.take_out = total > (1.0 + chance) * noise && shared > least * least;
  if (!out.take_out) return out;
  const double factor = shared / total;
  // A line far beyond the others is no line noise: an object along the frame, or a defect.
  const double most = 5.0 * std::sqrt(total);
  out.offsets.assign(static_cast<std::size_t>(lines), 0.0F);
  for (std::size_t i = 0; i < count; ++i) {
    if (std::abs(sum[i]) <= most) out.offsets[i] = static_cast<float>(factor * sum[i]);
  }
  // Left: the trends of the cells, and the error of the shrunk offsets.
  out.noise.after_adu = std::sqrt(shared * (1.0 / kept_share - 1.0) + factor * noise);
  return out;
}

CellMap measure_cells(PlaneView<const float> image, PlaneView<const std::uint8_t> mask, bool mosaic,
                      int row_stride, int column_stride, Threads threads) {
  CellMap map{image.width() / cell, image.height() / cell, {}};
  map.cells.resize(static_cast<std::size_t>(map.columns) * static_cast<std::size_t>(map.rows));
  parallel_for(threads, static_cast<std::size_t>(map.rows), [&](std::size_t j) {
    for (int i = 0; i < map.columns; ++i) {
      const bool wanted = i % row_stride == 0 || static_cast<int>(j) % column_stride == 0;
      if (!wanted) continue;
      map.cells[j * static_cast<std::size_t>(map.columns) + static_cast<std::size_t>(i)] =
          measure_cell(image, mask, i * cell, static_cast<int>(j) * cell, mosaic);
    }
  });
  return map;
}

}  // namespace

LineOffsets measure_line_noise(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                               CfaPattern cfa,
                               const std::function<double(double, double)>& unit_per_adu,
                               Threads threads) {
  LineOffsets out;
  const bool mosaic = cfa != CfaPattern::none;
  const int columns = image.width() / cell;
  const int rows = image.height() / cell;
  if (columns < least_cells || rows < least_cells) return out;
  const int row_stride = std::max(columns / usual_cells, 1);
  const int column_stride = std::max(rows / usual_cells, 1);
  CellMap map = measure_cells(image, mask, mosaic, row_stride, column_stride, threads);
  Verdict row = judge(line_halves(map, true, row_stride, unit_per_adu), image.height());
  Verdict column = judge(line_halves(map, false, column_stride, unit_per_adu), image.width());
  if ((row.take_out && row_stride > 1) || (column.take_out && column_stride > 1)) {
    // It is there: measure it with all cells.
    map = measure_cells(image, mask, mosaic, 1, 1, threads);
    row = judge(line_halves(map, true, 1, unit_per_adu), image.height());
    column = judge(line_halves(map, false, 1, unit_per_adu), image.width());
  }
  out.row_noise = row.noise;
  out.column_noise = column.noise;
  out.rows = std::move(row.offsets);
  out.columns = std::move(column.offsets);
  return out;
}

void subtract_line_offsets(PlaneView<float> values, const Rect& rect, const LineOffsets& offsets,
                           PlaneView<const float> multiply, float constant_multiply) {
  for (int y = 0; y < values.height(); ++y) {
    const auto row = values.row(y);
    const float of_row =
        offsets.rows.empty() ? 0.0F : offsets.rows[static_cast<std::size_t>(rect.y0 + y)];
    for (std::size_t x = 0; x < row.size(); ++x) {
      const auto at = static_cast<std::size_t>(rect.x0) + x;
      const float of_column = offsets.columns.empty() ? 0.0F : offsets.columns[at];
      const float unit = multiply.empty() ? constant_multiply : multiply.row(rect.y0 + y)[at];
      row[x] -= (of_row + of_column) * unit;
    }
  }
}

}  // namespace coldframe::sensor
