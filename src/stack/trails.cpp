#include "coldframe/stack/trails.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "trail_fit.hpp"

namespace coldframe::stack {
namespace {

using detail::LineCandidate;
using detail::LineFit;
using detail::LineMeter;
using detail::TrailPicture;

/// Beyond this a pixel counts no more: a single bright residue of a star cannot pose as a line.
constexpr float clip_level = 3.5F;

/// Both orientations of the picture, so that every line rises less than 45 degrees in one.
struct Search {
  PlaneView<const float> residual;
  TrailPicture upright;
  TrailPicture turned;

  Search(PlaneView<const float> r, PlaneView<const std::uint8_t> mask)
      : residual(r),
        upright{Grid<float>(r.size()), Grid<float>(r.size())},
        turned{Grid<float>(r.height(), r.width()), Grid<float>(r.height(), r.width())} {
    for (int y = 0; y < r.height(); ++y) {
      for (int x = 0; x < r.width(); ++x) {
        const bool good = std::isfinite(r(x, y)) && (mask.empty() || mask(x, y) == 0);
        set(x, y, good ? std::clamp(r(x, y), -clip_level, clip_level) : 0.0F, good);
      }
    }
  }
  void set(int x, int y, float value, bool good) noexcept {
    upright.value(x, y) = value;
    upright.good(x, y) = good ? 1.0F : 0.0F;
    turned.value(y, x) = value;
    turned.good(y, x) = good ? 1.0F : 0.0F;
  }
  [[nodiscard]] const TrailPicture& picture(bool is_turned) const noexcept {
    return is_turned ? turned : upright;
  }
};

struct Candidate {
  LineCandidate line;
  bool turned = false;
};

/// The best candidates, none close to a better one.
std::vector<Candidate> shortlist(const Search& search, double min_length, std::size_t most) {
  const int shortest = std::max(16, static_cast<int>(0.5 * min_length));
  constexpr double least = 4.0;
  std::vector<Candidate> all;
  for (const bool turned : {false, true}) {
    for (const auto& line : radon_candidates(search.picture(turned), shortest, least)) {
      all.push_back({line, turned});
    }
  }
  std::stable_sort(all.begin(), all.end(), [](const Candidate& a, const Candidate& b) {
    return a.line.score > b.line.score;
  });
  std::vector<Candidate> best;
  const auto near = [](const Candidate& a, const Candidate& b) {
    if (a.turned != b.turned) return false;
    const auto gap = [&](int x) {
      return std::fabs(a.line.start + a.line.slope * x - b.line.start - b.line.slope * x);
    };
    return gap(a.line.x0) < 4.0 && gap(a.line.x1) < 4.0;
  };
  for (const Candidate& c : all) {
    if (best.size() == most) break;
    const bool known = std::any_of(best.begin(), best.end(),
                                   [&](const Candidate& other) { return near(c, other); });
    if (!known) best.push_back(c);
  }
  return best;
}

/// Mean cross profile in the true (not clipped) residual, and from it the full width to mask.
class CrossProfile {
 public:
  CrossProfile(const Search& search, const LineFit& fit, bool turned) : fit_(fit) {
    const auto& picture = search.picture(turned);
    sum_.assign(2 * reach + 1, 0.0);
    count_.assign(2 * reach + 1, 0.0);
    const double cosine = 1.0 / std::sqrt(1.0 + fit.line.slope * fit.line.slope);
    const int span = static_cast<int>(std::ceil((reach + 1) / cosine));
    for (int x = fit.x0; x < fit.x1; ++x) {
      const double centre = fit.line.start + fit.line.slope * x;
      const int middle = static_cast<int>(std::round(centre));
      for (int y = std::max(middle - span, 0); y <= std::min(middle + span, picture.height() - 1);
           ++y) {
        if (picture.good(x, y) == 0.0F) continue;
        const double p = std::round((y - centre) * cosine) + reach;
        if (p < 0.0 || p > 2.0 * reach) continue;
        const float value = turned ? search.residual(y, x) : search.residual(x, y);
        sum_[static_cast<std::size_t>(p)] += static_cast<double>(value);
        count_[static_cast<std::size_t>(p)] += 1.0;
      }
    }
  }
  /// Out to where the mean light has fallen under a tenth of the noise, or is no longer seen;
  /// never less than three sigma of the fitted profile.
  [[nodiscard]] double full_width() const noexcept {
    const double least = 3.0 * fit_.sigma + 0.5;
    return 2.0 * std::max({least, side(1), side(-1)});
  }
  [[nodiscard]] double peak() const noexcept {
    const auto middle = static_cast<std::size_t>(reach);
    return count_[middle] > 0.0 ? sum_[middle] / count_[middle] : 0.0;
  }

 private:
  static constexpr int reach = 40;

  [[nodiscard]] double side(int direction) const noexcept {
    double distance = 0.5;
    for (int d = 1; d + 1 <= reach; ++d) {
      double sum = 0.0;
      double count = 0.0;
      for (int k = 0; k < 2; ++k) {
        const auto i = static_cast<std::size_t>(reach + direction * (d + k));
        sum += sum_[i];
        count += count_[i];
      }
      if (count < 1.0 || sum / count < std::max(0.1, 3.0 / std::sqrt(count))) break;
      distance = d + 1.5;
    }
    return distance;
  }

  LineFit fit_;
  std::vector<double> sum_;
  std::vector<double> count_;
};

Trail to_trail(const Search& search, const LineFit& fit, bool turned) {
  const CrossProfile profile(search, fit, turned);
  const auto y_at = [&](double x) { return fit.line.start + fit.line.slope * x; };
  Trail t;
  t.x1 = fit.x0;
  t.y1 = y_at(fit.x0);
  t.x2 = fit.x1 - 1;
  t.y2 = y_at(fit.x1 - 1);
  if (turned) {
    std::swap(t.x1, t.y1);
    std::swap(t.x2, t.y2);
  }
  t.width_px = profile.full_width();
  t.significance = fit.significance;
  t.brightness = fit.amplitude;
  if (fit.amplitude > 0.5 * static_cast<double>(clip_level) && profile.peak() > fit.amplitude) {
    // Bright enough for the clipping to bite: what it took is given back.
    t.brightness = profile.peak();
    t.significance *= profile.peak() / fit.amplitude;
  }
  return t;
}

/// Takes the pixels of a found trail out of the search.
void blot(Search& search, const Trail& trail) {
  Mask hit(search.residual.size(), 0);
  mask_trails(std::span(&trail, 1), whole(search.residual.size()), hit.view());
  for (int y = 0; y < hit.height(); ++y) {
    for (int x = 0; x < hit.width(); ++x) {
      if (hit(x, y) != 0) search.set(x, y, 0.0F, false);
    }
  }
}

/// Cuts the segment where its line leaves the picture.
LineFit inside(LineFit fit, const TrailPicture& picture) noexcept {
  const auto within = [&](int x) {
    const double y = fit.line.start + fit.line.slope * x;
    return y >= -0.5 && y <= picture.height() - 0.5;
  };
  while (fit.x0 < fit.x1 && !within(fit.x0)) ++fit.x0;
  while (fit.x1 > fit.x0 && !within(fit.x1 - 1)) --fit.x1;
  return fit;
}

/// Ends inside the picture were chosen among hundreds of places, ends at its border were not:
/// a line across the whole picture has had fewer chances to be high by accident.
double required(const LineFit& fit, const TrailPicture& picture, double least) noexcept {
  constexpr double per_fixed_end = 0.3;
  const auto at_border = [&](int x) {
    const double y = fit.line.start + fit.line.slope * x;
    return x <= 1 || x >= picture.width() - 2 || y < 1.5 || y > picture.height() - 2.5;
  };
  return least - per_fixed_end * (at_border(fit.x0) ? 1 : 0) -
         per_fixed_end * (at_border(fit.x1 - 1) ? 1 : 0);
}

/// Measures one candidate on what is left of the picture. Significance 0: not a trail.
LineFit examine(const Search& search, const Candidate& c, const TrailOptions& options) {
  const TrailPicture& picture = search.picture(c.turned);
  LineMeter meter(picture, options.min_length_px);
  const detail::Line line{c.line.start, c.line.slope};
  LineFit fit = meter.measure(line, 0.8);
  const LineFit wide = meter.measure(line, 1.7);
  if (wide.significance > fit.significance) fit = wide;
  // A line found within a pixel keeps most of its significance; what has less will not gain enough.
  if (fit.significance < 0.7 * options.min_significance) return {};
  fit = inside(meter.settle_ends(meter.improve(fit)), picture);
  const double length = (fit.x1 - fit.x0) * std::sqrt(1.0 + fit.line.slope * fit.line.slope);
  const bool good = fit.significance >= required(fit, picture, options.min_significance) &&
                    length >= options.min_length_px && meter.spread_out(fit);
  return good ? fit : LineFit{};
}

}  // namespace

std::vector<Trail> find_trails(PlaneView<const float> residual, PlaneView<const std::uint8_t> mask,
                               const TrailOptions& options) {
  if (!mask.empty() && mask.size() != residual.size()) {
    throw Error(ErrorKind::usage, "", "the mask of a trail search does not fit its picture",
                "give both the same size");
  }
  std::vector<Trail> trails;
  if (residual.width() < 8 || residual.height() < 8) return trails;
  Search search(residual, mask);
  const auto most = static_cast<std::size_t>(std::max(options.max_trails, 0));
  bool found = true;
  while (found && trails.size() < most) {
    found = false;
    constexpr std::size_t candidates = 24;
    for (const Candidate& c : shortlist(search, options.min_length_px, candidates)) {
      if (trails.size() == most) break;
      const LineFit fit = examine(search, c, options);
      if (!(fit.significance > 0.0)) continue;
      trails.push_back(to_trail(search, fit, c.turned));
      blot(search, trails.back());
      found = true;
    }
  }
  return trails;
}

}  // namespace coldframe::stack
