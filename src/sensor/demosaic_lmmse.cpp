// Green by directional linear minimum mean square error estimation (L. Zhang & X. Wu 2005, IEEE
// Trans. Image Process. 14, 2167), for samples whose noise is known.
//
// Along rows and along columns the difference green - colour is estimated at every pixel with the
// gradient-corrected mean of neighbours (`primary`). It is a smooth signal plus errors: signal and
// error variances are found in a window of 9, the LMMSE estimate and its error variance follow,
// and both directions are averaged with inverse error variances as weights.
//
// The noise of the samples is known here. In the primary difference it has the variance
//   (a_-1 + a_+1 + a_0) / 4 + (a_-2 + a_+2) / 16
// with a the samples' variances; that is the least that the error variance can be. Smoothed and
// about its mean over the window, white noise still leaves 0.197 of it (own calculation: the
// primary difference's noise lies at low frequencies), which is no signal and taken off.
// Green is the pixel's own sample plus the difference, less the sample's own noise n. The primary
// differences hold -n/2, so what the estimate leaves of them tells n in turn: with r the remainder
// of both directions, n is taken as r cov(n, r) / var(r). Without known noise this vanishes.
#include <algorithm>

#include "demosaic_rows.hpp"

namespace coldframe::sensor {
namespace {

constexpr int half = 4;  // of smoothing and window
constexpr float window = 1.0F / 9.0F;
constexpr float seen_as_signal = 0.197F;
// The paper's low-pass filter, times 128.
constexpr float smoothing[half + 1] = {26.0F / 128.0F, 23.0F / 128.0F, 15.0F / 128.0F,
                                       9.0F / 128.0F, 4.0F / 128.0F};
constexpr float least = 1e-12F;  // keeps 0 / 0 away

/// Nine places along a direction, as pointers to pixel 0 of the target's row: [k + 4] is k steps
/// on.
struct Nine {
  const float* at[2 * half + 1];
};

/// A plane over the target with `margin` pixels around it.
class Field {
 public:
  Field(Size target, int margin_x, int margin_y)
      : grid_(target.width + 2 * margin_x, target.height + 2 * margin_y),
        x_(margin_x),
        y_(margin_y) {}
  [[nodiscard]] float* row(int y) { return grid_.row(y + y_).data() + x_; }
  [[nodiscard]] Nine along_row(int y) {
    Nine nine{};
    for (int k = -half; k <= half; ++k) nine.at[k + half] = row(y) + k;
    return nine;
  }
  [[nodiscard]] Nine along_column(int y) {
    Nine nine{};
    for (int k = -half; k <= half; ++k) nine.at[k + half] = row(y + k);
    return nine;
  }

 private:
  Grid<float> grid_;
  int x_, y_;
};

/// green - colour from five samples along a direction.
void primary_row(const float* const s[5], unsigned parity, int from, int to, float* out) noexcept {
  for (int x = from; x < to; ++x) {
    const float own = s[2][x];
    const float across = 0.5F * (s[1][x] + s[3][x]) + 0.25F * ((own - s[0][x]) + (own - s[4][x]));
    const float step = across - own;
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    out[x] = at_chroma ? step : -step;
  }
}

void noise_row(const float* const a[5], int from, int to, float* out) noexcept {
  for (int x = from; x < to; ++x) {
    out[x] = 0.25F * ((a[1][x] + a[3][x]) + a[2][x]) + 0.0625F * (a[0][x] + a[4][x]);
  }
}

void smooth_row(const Nine& d, int from, int to, float* out) noexcept {
  for (int x = from; x < to; ++x) {
    float sum = smoothing[0] * d.at[half][x];
    for (int k = 1; k <= half; ++k) {
      sum += smoothing[k] * (d.at[half - k][x] + d.at[half + k][x]);
    }
    out[x] = sum;
  }
}

/// What one direction says, row by row.
struct Direction {
  float* value;      ///< of the difference
  float* error;      ///< its error variance
  float* remainder;  ///< primary difference less value
  float* share;      ///< 1 - gain: of an error of the primary difference that is in the remainder
  float* remaining;  ///< variance of the remainder
};

/// `count` pixels, at most a chunk: sums go to arrays of its own, so that the loops are vectorised.
constexpr int chunk = 64;
void estimate_chunk(const Nine& primary, const Nine& smooth, const float* noise, int x0, int count,
                    const Direction& out) noexcept {
  float mean[chunk] = {};
  float spread[chunk] = {};
  float rest[chunk] = {};
  for (const float* const s : smooth.at) {
    for (int i = 0; i < count; ++i) mean[i] += s[x0 + i];
  }
  for (int i = 0; i < count; ++i) mean[i] *= window;
  for (int k = 0; k <= 2 * half; ++k) {
    const float* const s = smooth.at[k] + x0;
    const float* const p = primary.at[k] + x0;
    for (int i = 0; i < count; ++i) {
      const float about = s[i] - mean[i];
      const float off = p[i] - s[i];
      spread[i] += about * about;
      rest[i] += off * off;
    }
  }
  for (int i = 0; i < count; ++i) {
    const int x = x0 + i;
    const float signal = std::max(window * spread[i] - seen_as_signal * noise[x], 0.0F);
    const float error_variance = std::max(window * rest[i], noise[x]) + least;
    const float gain = signal / (signal + error_variance);
    const float off = primary.at[half][x] - mean[i];
    out.value[x] = mean[i] + gain * off;
    out.error[x] = gain * error_variance + least;
    out.remainder[x] = (1.0F - gain) * off;
    out.share[x] = 1.0F - gain;
    out.remaining[x] = (1.0F - gain) * error_variance;
  }
}

void estimate_row(const Nine& primary, const Nine& smooth, const float* noise, int from, int to,
                  const Direction& out) noexcept {
  for (int x = from; x < to; x += chunk) {
    estimate_chunk(primary, smooth, noise, x, std::min(chunk, to - x), out);
  }
}

/// Green where the row holds red or blue: own sample, fused difference, less the sample's noise.
void green_row(const float* here, const float* variance, const Direction& h, const Direction& v,
               unsigned parity, int from, int to, float* out) noexcept {
  for (int x = from; x < to; ++x) {
    const float sum = h.error[x] + v.error[x];
    const float along = v.error[x] / sum;
    const float across = h.error[x] / sum;
    const float value = along * h.value[x] + across * v.value[x];
    const float rest = along * h.remainder[x] + across * v.remainder[x];
    const float share = along * h.share[x] + across * v.share[x];
    const float common = 0.5F * variance[x] * ((along * h.share[x]) * (across * v.share[x]));
    const float remaining = along * along * h.remaining[x] + across * across * v.remaining[x];
    const float noise = 0.5F * variance[x] * share / (remaining + common + least);
    const bool at_chroma = (static_cast<unsigned>(x) & 1U) == parity;
    out[x] = at_chroma ? here[x] + (value + noise * rest) : here[x];
  }
}

/// Variances of all samples of the padded band.
Grid<float> sample_variances(const Padded& padded, CfaPattern pattern, const SampleNoise& noise) {
  Grid<float> out(padded.values.size());
  const int x0 = padded.target.x0 - padded.margin;
  const int y0 = padded.target.y0 - padded.margin;
  for (int y = 0; y < out.height(); ++y) {
    const auto values = padded.values.row(y);
    const auto to = out.row(y);
    for (int x = 0; x < out.width(); ++x) {
      const auto c = static_cast<std::size_t>(cfa_colour(pattern, x0 + x, y0 + y));
      const auto i = static_cast<std::size_t>(x);
      to[i] = noise.variance[c] + noise.slope[c] * std::max(values[i] - noise.level[c], 0.0F);
    }
  }
  return out;
}

/// Rows y - 2 ... y + 2 of one direction.
struct Five {
  const float* at[5];
};
Five five(const float* const rows[5], bool across) noexcept {
  Five result{};
  for (int k = -2; k <= 2; ++k) result.at[k + 2] = across ? rows[k + 2] : rows[2] + k;
  return result;
}

}  // namespace

void lmmse_green(const Padded& padded, CfaPattern pattern, const SampleNoise& noise,
                 PlaneView<float> green) {
  const Rect& target = padded.target;
  const Size size = target.size();
  const int width = size.width;
  const Grid<float> variances = sample_variances(padded, pattern, noise);
  const auto variance_row = [&](int y) {
    return variances.row(y + padded.margin).data() + padded.margin;
  };
  constexpr int far = 2 * half + 1;  // primary differences beyond the target
  constexpr int near = half + 1;     // smoothed ones
  Field primary_h(size, far, 1), smooth_h(size, near, 1);
  Field primary_v(size, 1, far), smooth_v(size, 1, near);
  for (int y = -far; y < size.height + far; ++y) {
    const unsigned parity = row_colours(pattern, target, y).parity;
    const float* const rows[5] = {padded.row(y - 2), padded.row(y - 1), padded.row(y),
                                  padded.row(y + 1), padded.row(y + 2)};
    primary_row(five(rows, true).at, parity, -1, width + 1, primary_v.row(y));
    if (y < -1 || y > size.height) continue;
    primary_row(five(rows, false).at, parity, -far, width + far, primary_h.row(y));
    smooth_row(primary_h.along_row(y), -near, width + near, smooth_h.row(y));
  }
  for (int y = -near; y < size.height + near; ++y) {
    smooth_row(primary_v.along_column(y), -1, width + 1, smooth_v.row(y));
  }
  Grid<float> scratch(width + 2, 11);
  float* part[11];
  for (int k = 0; k < 11; ++k) part[k] = scratch.row(k).data() + 1;
  const Direction h{part[0], part[1], part[2], part[3], part[4]};
  const Direction v{part[5], part[6], part[7], part[8], part[9]};
  for (int y = -1; y <= size.height; ++y) {
    const float* const rows[5] = {variance_row(y - 2), variance_row(y - 1), variance_row(y),
                                  variance_row(y + 1), variance_row(y + 2)};
    noise_row(five(rows, false).at, -1, width + 1, part[10]);
    estimate_row(primary_h.along_row(y), smooth_h.along_row(y), part[10], -1, width + 1, h);
    noise_row(five(rows, true).at, -1, width + 1, part[10]);
    estimate_row(primary_v.along_column(y), smooth_v.along_column(y), part[10], -1, width + 1, v);
    green_row(padded.row(y), rows[2], h, v, row_colours(pattern, target, y).parity, -1, width + 1,
              green.row(y + 1).data() + 1);
  }
}

}  // namespace coldframe::sensor
