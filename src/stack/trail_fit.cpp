#include "trail_fit.hpp"

#include <algorithm>
#include <array>
#include <cmath>
#include <span>

namespace coldframe::stack::detail {
namespace {

constexpr int profile_steps = 32;  ///< table entries per pixel

/// Variance of unit Gaussian noise cut at two sigma, as the picture's values are
/// (P - 2 k phi(k) + 2 k^2 (1 - Phi(k)) with k = 2).
constexpr double cut_variance = 0.9205;

/// Cross profile of a line of light: a star's Moffat profile of beta 4 (Moffat 1969, A&A 3, 455),
/// integrated along the line. Seeing has wings that a Gaussian would leave out.
double cross_profile(double distance, double sigma) noexcept {
  constexpr double half_maximum_to_sigma = 1.1774100225154747;
  const double u = distance / (half_maximum_to_sigma * sigma);
  return std::pow(1.0 + (std::exp2(1.0 / 3.5) - 1.0) * u * u, -3.5);
}

std::size_t at(int x) noexcept { return static_cast<std::size_t>(x); }

constexpr std::size_t phases = 32;  ///< of a line between two pixels

/// Half width of the profile's table.
double reach_of(double sigma) noexcept { return 3.0 * sigma + 0.5; }

/// Floats of `count` taps and their squares, in groups of four.
std::size_t room_of(std::size_t count) noexcept { return 4 * ((count + 1) / 2); }

/// Of what fits an int; without a call of the library.
int floor_of(double v) noexcept {
  const int cut = static_cast<int>(v);
  return static_cast<double>(cut) > v ? cut - 1 : cut;
}

double inverse_length(const Line& line) noexcept {
  return 1.0 / std::sqrt(1.0 + line.slope * line.slope);
}

/// Grid of the first search for ends, in columns.
int interval_step(const TrailPicture& picture) noexcept {
  return std::max(8, picture.width() / 40);
}

}  // namespace

LineMeter::LineMeter(const TrailPicture& picture, const TrailPicture& across,
                     double min_length) noexcept
    : picture_(picture), across_(across), min_length_(min_length) {}

const std::vector<float>& LineMeter::profile_of(double sigma) {
  for (const Profile& known : profiles_) {
    if (known.sigma == sigma) return known.values;
  }
  const auto entries = static_cast<std::size_t>(std::ceil(reach_of(sigma) + 2.0) * profile_steps);
  Profile& made = profiles_.emplace_back(Profile{sigma, std::vector<float>(entries)});
  for (std::size_t k = 0; k < entries; ++k) {
    made.values[k] =
        static_cast<float>(cross_profile(static_cast<double>(k) / profile_steps, sigma));
  }
  return made.values;
}

void LineMeter::fill_taps(double sigma, double cosine, int radius) {
  const std::vector<float>& profile = profile_of(sigma);
  const double reach = reach_of(sigma);
  const auto count = static_cast<std::size_t>(2 * radius + 1);
  const std::size_t room = room_of(count);
  taps_.assign(phases * room, 0.0F);
  for (std::size_t phase = 0; phase < phases; ++phase) {
    const double offset = (static_cast<double>(phase) + 0.5) / phases - 0.5;
    float* taps = &taps_[phase * room];
    for (std::size_t k = 0; k < count; ++k) {
      const double p = std::fabs(static_cast<double>(k) - radius - offset) * cosine;
      if (p > reach) continue;
      const float g = profile[static_cast<std::size_t>(p * profile_steps + 0.5)];
      taps[4 * (k / 2) + k % 2] = g;
      taps[4 * (k / 2) + k % 2 + 2] = g * g;
    }
  }
}

void LineMeter::cross(const Line& line, int x, int radius, Crossing& out) const noexcept {
  const double centre = std::clamp(line.start + line.slope * x, -1e6, 1e6);
  const int nearest = floor_of(centre + 0.5);
  const auto phase = std::min(static_cast<std::size_t>((centre - nearest + 0.5) * phases),
                              std::size_t{phases - 1});
  const int count = 2 * radius + 1;
  const int y0 = nearest - radius;
  const int first = std::max(-y0, 0);
  const int last = std::min(count, picture_.height() - y0);
  out.count = first < last ? at(last - first) : 0;
  if (first >= last) return;
  const auto from = static_cast<std::ptrdiff_t>(y0) + first;
  out.value = across_.value.row(x).data() + from;
  out.good = across_.good.row(x).data() + from;
  out.taps = &taps_[phase * room_of(at(count))];
  out.skip = at(first);
}

void LineMeter::fill_sums(const Line& line, double sigma) {
  const double cosine = inverse_length(line);
  const int radius = static_cast<int>(std::ceil(reach_of(sigma) / cosine));
  fill_taps(sigma, cosine, radius);
  const int width = picture_.width();
  matched_.resize(at(width) + 1);
  norm_.resize(at(width) + 1);
  matched_[0] = 0.0;
  norm_[0] = 0.0;
  constexpr int together = 64;
  std::array<Crossing, together> crossings;
  std::array<CrossingSums, together> sums;
  for (int from = 0; from < width; from += together) {
    const int count = std::min(together, width - from);
    for (int k = 0; k < count; ++k) cross(line, from + k, radius, crossings[at(k)]);
    weigh(crossings.data(), at(count), sums.data());
    for (int k = 0; k < count; ++k) {
      const std::size_t x = at(from + k);
      matched_[x + 1] = matched_[x] + static_cast<double>(sums[at(k)].matched);
      norm_[x + 1] = norm_[x] + cut_variance * static_cast<double>(sums[at(k)].square);
    }
  }
}

double LineMeter::significance(int x0, int x1) const noexcept {
  const double norm = norm_[at(x1)] - norm_[at(x0)];
  return norm > 1.0 ? (matched_[at(x1)] - matched_[at(x0)]) / std::sqrt(norm) : 0.0;
}

double LineMeter::significance_without(const LineFit& fit, std::span<const SpeckPixel> specks) {
  fill_sums(fit.line, fit.sigma);
  const double cosine = inverse_length(fit.line);
  double matched = matched_[at(fit.x1)] - matched_[at(fit.x0)];
  double norm = norm_[at(fit.x1)] - norm_[at(fit.x0)];
  for (const SpeckPixel& p : specks) {
    const double d = std::fabs(p.y - fit.line.start - fit.line.slope * p.x) * cosine;
    if (p.x < fit.x0 || p.x >= fit.x1 || d > reach_of(fit.sigma)) continue;
    const double g = cross_profile(d, fit.sigma);
    matched -= g * static_cast<double>(picture_.value(p.x, p.y));
    norm -= cut_variance * g * g * static_cast<double>(picture_.good(p.x, p.y));
  }
  return norm > 1.0 ? matched / std::sqrt(norm) : 0.0;
}

int LineMeter::fixed_ends(int x0, int x1) const noexcept {
  constexpr double nothing = 4.0;
  return (norm_[at(x0)] > nothing ? 0 : 1) + (norm_.back() - norm_[at(x1)] > nothing ? 0 : 1);
}

void LineMeter::best_interval(LineFit& fit, int step) const noexcept {
  const int width = picture_.width();
  const int shortest =
      std::max(step, static_cast<int>(min_length_ * 0.6 * inverse_length(fit.line)));
  fit.significance = 0.0;
  fit.fixed_ends = 0;
  for (int x0 = 0; x0 < width; x0 += step) {
    for (int x1 = x0 + shortest; x1 < width + step; x1 += step) {
      const int end = std::min(x1, width);
      const int fixed = fixed_ends(x0, end);
      const double needed = std::max(fit.merit() - per_fixed_end * fixed, 0.0);
      const double sum = matched_[at(end)] - matched_[at(x0)];
      const double norm = norm_[at(end)] - norm_[at(x0)];
      if (sum > 0.0 && sum * sum > needed * needed * norm && norm > 1.0) {
        fit.significance = sum / std::sqrt(norm);
        fit.fixed_ends = fixed;
        fit.x0 = x0;
        fit.x1 = end;
      }
    }
  }
}

LineFit LineMeter::measure(const Line& line, double sigma) {
  fill_sums(line, sigma);
  LineFit fit;
  fit.line = line;
  fit.sigma = sigma;
  best_interval(fit, interval_step(picture_));
  const double norm = norm_[at(fit.x1)] - norm_[at(fit.x0)];
  fit.amplitude = norm > 0.0 ? (matched_[at(fit.x1)] - matched_[at(fit.x0)]) / norm : 0.0;
  return fit;
}

LineFit LineMeter::improve(LineFit fit, std::size_t steps) {
  constexpr std::array<double, 5> widths{0.45, 0.8, 1.4, 2.5, 4.5};
  constexpr std::array<double, 4> all{1.0, 2.0, 0.5, 0.25};
  for (const double step : std::span(all).first(steps)) {
    for (int moves = 0; moves < (steps == 1 ? 1 : 6); ++moves) {
      const LineFit from = fit;
      const double length = std::max(1.0, static_cast<double>(from.x1 - from.x0));
      for (int k = 0; k < 6; ++k) {
        // The line is moved at the ends of its segment: both alike or one alone.
        constexpr std::array<std::array<int, 2>, 6> ways{
            {{1, 1}, {-1, -1}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}}};
        const double first = ways[at(k)][0] * step;
        const double last = ways[at(k)][1] * step;
        Line line = from.line;
        line.slope += (last - first) / length;
        line.start += first - (last - first) / length * from.x0;
        const LineFit trial = measure(line, from.sigma);
        if (trial.merit() > fit.merit()) fit = trial;
      }
      if (!(fit.merit() > from.merit())) break;
    }
    for (const double sigma : widths) {
      const LineFit trial = measure(fit.line, sigma);
      if (trial.merit() > fit.merit()) fit = trial;
    }
  }
  return fit;
}

LineFit LineMeter::settle_ends(LineFit fit) {
  fill_sums(fit.line, fit.sigma);
  const int width = picture_.width();
  const int reach = interval_step(picture_);
  const LineFit coarse = fit;
  for (int x0 = std::max(coarse.x0 - reach, 0); x0 <= coarse.x0 + reach; ++x0) {
    for (int x1 = coarse.x1 - reach; x1 <= std::min(coarse.x1 + reach, width); ++x1) {
      if (x1 - x0 < 8) continue;
      const double s = significance(x0, x1);
      const int fixed = fixed_ends(x0, x1);
      if (s + per_fixed_end * fixed > fit.merit()) {
        fit.significance = s;
        fit.fixed_ends = fixed;
        fit.x0 = x0;
        fit.x1 = x1;
      }
    }
  }
  const auto amplitude = [&](int x0, int x1) {
    return (matched_[at(x1)] - matched_[at(x0)]) / std::max(norm_[at(x1)] - norm_[at(x0)], 1e-9);
  };
  const auto continues = [&](int x0, int x1) {
    const double norm = norm_[at(x1)] - norm_[at(x0)];
    if (norm < 1.0) return true;
    const double error = 1.0 / std::sqrt(norm);
    return amplitude(x0, x1) > fit.amplitude - 2.0 * error;
  };
  fit.amplitude = amplitude(fit.x0, fit.x1);
  if (continues(0, fit.x0)) fit.x0 = 0;
  if (continues(fit.x1, width)) fit.x1 = width;
  fit.fixed_ends = fixed_ends(fit.x0, fit.x1);
  return fit;
}

LineFit LineMeter::extend(LineFit fit) {
  constexpr double least = 3.5;
  fill_sums(fit.line, fit.sigma);
  // Outward from an end: to where the light since then is seen best, when it is seen at all.
  const auto further = [&](int from, int direction) {
    int end = from;
    double best = least;
    for (int x = from + direction; x >= 0 && x <= picture_.width(); x += direction) {
      const double s = direction > 0 ? significance(from, x) : significance(x, from);
      if (s <= best) continue;
      best = s;
      end = x;
    }
    return end;
  };
  for (int times = 0; times < 4; ++times) {
    const int last = further(fit.x1, 1);
    const int first = further(fit.x0, -1);
    if (last == fit.x1 && first == fit.x0) break;
    fit.x0 = first;
    fit.x1 = last;
  }
  return fit;
}

LineMeter::Pieces LineMeter::count_pieces(int x0, int x1) const noexcept {
  constexpr int piece = 10;
  constexpr double bright = 3.0;
  Pieces pieces;
  for (int x = x0; x + piece <= x1; x += piece) {
    const double norm = norm_[at(x + piece)] - norm_[at(x)];
    if (norm < 3.0) continue;
    ++pieces.seen;
    if (significance(x, x + piece) < bright) continue;
    if (pieces.lit++ == 0) pieces.first = x;
    if (pieces.groups == 0 || x > pieces.last) ++pieces.groups;
    pieces.last = x + piece;
  }
  return pieces;
}

bool LineMeter::interrupted(const LineFit& fit) {
  constexpr int fewest = 5;
  fill_sums(fit.line, fit.sigma);
  const Pieces own = count_pieces(fit.x0, fit.x1);
  const int spread = static_cast<int>(0.7 * min_length_ * inverse_length(fit.line));
  if (own.groups < fewest || own.last - own.first < spread) return false;
  double seen = 0.0;
  double lit = 0.0;
  const double clear = 4.0 * fit.sigma + 4.0;
  for (int k = 1; k <= 12; ++k) {
    for (const double side : {-1.0, 1.0}) {
      const double offset = side * (clear + 5.0 * k) / inverse_length(fit.line);
      fill_sums({fit.line.start + offset, fit.line.slope}, fit.sigma);
      const Pieces other = count_pieces(fit.x0, fit.x1);
      seen += other.seen;
      lit += other.lit;
    }
  }
  constexpr double of_noise = 0.003;  // more than Gaussian noise makes
  const double chance = std::max((lit + 1.0) / (seen + 1.0), of_noise);
  // A long bright stretch is one event, as a single residue of a star is.
  const double share = static_cast<double>(own.groups) / own.seen;
  if (share <= chance) return false;
  // Chernoff's bound on so many lit groups by chance (Chernoff 1952, Ann. Math. Stat. 23, 493).
  double distance = share * std::log(share / chance);
  if (share < 1.0) distance += (1.0 - share) * std::log((1.0 - share) / (1.0 - chance));
  constexpr double least = 20.0;  // a picture has some million lines
  return own.seen * distance > least;
}

bool LineMeter::spread_out(const LineFit& fit) {
  constexpr std::size_t pieces = 16;
  constexpr std::size_t brightest = 4;
  fill_sums(fit.line, fit.sigma);
  // The pieces have equal shares of good pixels, not of length.
  const double norm = norm_[at(fit.x1)] - norm_[at(fit.x0)];
  std::array<double, pieces> parts{};
  int from = fit.x0;
  for (std::size_t k = 0; k < pieces; ++k) {
    const double goal =
        norm_[at(fit.x0)] + norm * static_cast<double>(k + 1) / static_cast<double>(pieces);
    int to = from;
    while (to < fit.x1 && norm_[at(to)] < goal) ++to;
    if (k + 1 == pieces) to = fit.x1;
    parts[k] = matched_[at(to)] - matched_[at(from)];
    from = to;
  }
  const auto positive = std::count_if(parts.begin(), parts.end(), [](double p) { return p > 0.0; });
  std::sort(parts.begin(), parts.end());
  double rest = 0.0;
  for (std::size_t k = 0; k < pieces - brightest; ++k) rest += parts[k];
  // An even line keeps two thirds of its significance without its brightest quarter.
  const double share = static_cast<double>(pieces - brightest) / static_cast<double>(pieces);
  return positive >= 13 && rest >= 0.4 * fit.significance * std::sqrt(share * norm);
}

}  // namespace coldframe::stack::detail
