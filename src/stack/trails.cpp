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
constexpr float clip_level = 2.0F;

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
  /// Out to where the mean light has fallen under `faintest`, or is no longer seen;
  /// never less than three sigma of the fitted profile.
  [[nodiscard]] double full_width(double faintest) const noexcept {
    const double least = 3.0 * fit_.sigma + 0.5;
    return 2.0 * std::max({least, side(1, faintest), side(-1, faintest)});
  }
  /// Between the places where the mean light falls to half its peak.
  [[nodiscard]] double fwhm() const noexcept {
    const auto at = [&](int d) {
      const auto i = static_cast<std::size_t>(reach + d);
      return count_[i] > 0.0 ? sum_[i] / count_[i] : 0.0;
    };
    double width = 0.0;
    for (const int direction : {1, -1}) {
      int d = 1;
      while (d < reach && at(direction * d) > 0.5 * peak()) ++d;
      const double before = at(direction * (d - 1));
      const double here = at(direction * d);
      width += d - 1 + (before > here ? (before - 0.5 * peak()) / (before - here) : 1.0);
    }
    return width;
  }
  [[nodiscard]] double peak() const noexcept {
    const auto middle = static_cast<std::size_t>(reach);
    return count_[middle] > 0.0 ? sum_[middle] / count_[middle] : 0.0;
  }

 private:
  static constexpr int reach = 80;

  [[nodiscard]] double side(int direction, double faintest) const noexcept {
    double distance = 0.5;
    for (int d = 1; d + 1 <= reach; ++d) {
      double sum = 0.0;
      double count = 0.0;
      for (int k = 0; k < 2; ++k) {
        const auto i = static_cast<std::size_t>(reach + direction * (d + k));
        sum += sum_[i];
        count += count_[i];
      }
      if (count < 1.0 || sum / count < std::max(faintest, 2.5 / std::sqrt(count))) break;
      distance = d + 1.5;
    }
    return distance;
  }

  LineFit fit_;
  std::vector<double> sum_;
  std::vector<double> count_;
};

struct Found {
  LineFit fit;
  bool turned = false;
  TrailKind kind = TrailKind::continuous;
};

Trail to_trail(const Search& search, const Found& found, double faintest) {
  const LineFit& fit = found.fit;
  const CrossProfile profile(search, fit, found.turned);
  const auto y_at = [&](double x) { return fit.line.start + fit.line.slope * x; };
  Trail t;
  t.x1 = fit.x0;
  t.y1 = y_at(fit.x0);
  t.x2 = fit.x1 - 1;
  t.y2 = y_at(fit.x1 - 1);
  if (found.turned) {
    std::swap(t.x1, t.y1);
    std::swap(t.x2, t.y2);
  }
  t.width_px = profile.full_width(faintest);
  constexpr double fwhm_of_sigma = 2.354820045030949;
  t.core_px = fwhm_of_sigma * fit.sigma;
  t.kind = found.kind;
  t.significance = fit.significance;
  t.brightness = fit.amplitude;
  if (fit.amplitude > 0.5 * static_cast<double>(clip_level) && profile.peak() > fit.amplitude) {
    // Bright enough for the clipping to bite: brightness and width are those of the whole light.
    t.brightness = profile.peak();
    t.core_px = std::min(profile.fwhm(), t.core_px);
    t.significance *=
        profile.peak() / fit.amplitude * std::sqrt(t.core_px / (fwhm_of_sigma * fit.sigma));
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

/// Trials grow with the picture. Ends in its midst were chosen among hundreds of places, ends at
/// its border were not: a line across the whole picture has had fewer chances to be high by
/// accident.
double least_merit(const TrailPicture& picture, const TrailOptions& options) noexcept {
  constexpr double usual_area = 600.0 * 400.0;
  constexpr double per_doubling = 0.11;
  const double area = static_cast<double>(picture.width()) * picture.height();
  return options.min_significance + per_doubling * std::max(std::log2(area / usual_area), 0.0);
}

/// Measures one candidate on what is left of the picture. Significance 0: not a trail.
Found examine(const Search& search, const Candidate& c, const TrailOptions& options) {
  const TrailPicture& picture = search.picture(c.turned);
  LineMeter meter(picture, options.min_length_px);
  const detail::Line line{c.line.start, c.line.slope};
  LineFit fit = meter.measure(line, c.line.lines > 4 ? 3.0 : 0.8);
  const LineFit wide = meter.measure(line, 1.7);
  if (wide.merit() > fit.merit()) fit = wide;
  // A line found within a pixel keeps most of its significance: it is refined by and by.
  const double least = least_merit(picture, options);
  constexpr double gained_nearby = 0.9;
  constexpr double gained_by_fit = 0.6;
  if (fit.merit() < least - gained_nearby - gained_by_fit) return {};
  fit = meter.improve(fit, 1);
  if (fit.merit() < least - gained_by_fit) return {};
  fit = inside(meter.settle_ends(meter.improve(fit, 4)), picture);
  if (fit.merit() < least) return {};
  const bool even = meter.spread_out(fit);
  if (!even && !meter.interrupted(fit)) return {};
  LineFit longer = inside(meter.extend(fit), picture);
  // A single bright residue further on does not lengthen it.
  if (!meter.spread_out(longer) && !meter.interrupted(longer)) longer = fit;
  const double length = (longer.x1 - longer.x0) * std::sqrt(1.0 + fit.line.slope * fit.line.slope);
  if (length < options.min_length_px && fit.significance < options.short_significance) return {};
  if (length < 0.75 * options.min_length_px) return {};
  return {longer, c.turned, even ? TrailKind::continuous : TrailKind::interrupted};
}

/// Widths once more, none taking another's light for its wings.
void settle_widths(PlaneView<const float> residual, PlaneView<const std::uint8_t> mask,
                   std::span<const Found> found, double faintest, std::span<Trail> trails) {
  for (std::size_t k = 0; k < trails.size() && trails.size() > 1; ++k) {
    Mask others(residual.size());
    for (std::size_t other = 0; other < trails.size(); ++other) {
      if (other != k) mask_trails(trails.subspan(other, 1), whole(residual.size()), others.view());
    }
    for (int y = 0; y < others.height() && !mask.empty(); ++y) {
      for (int x = 0; x < others.width(); ++x) others(x, y) |= mask(x, y);
    }
    const Search alone(residual, others.cview());
    trails[k].width_px = CrossProfile(alone, found[k].fit, found[k].turned).full_width(faintest);
  }
}

}  // namespace

std::string_view to_string(TrailKind kind) noexcept {
  return kind == TrailKind::continuous ? "continuous" : "interrupted";
}

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
  std::vector<Found> found;
  bool more = true;
  while (more && trails.size() < most) {
    more = false;
    constexpr std::size_t candidates = 80;
    for (const Candidate& c : shortlist(search, options.min_length_px, candidates)) {
      if (trails.size() == most) break;
      const Found one = examine(search, c, options);
      if (!(one.fit.significance > 0.0)) continue;
      found.push_back(one);
      trails.push_back(to_trail(search, one, options.faintest_wing));
      blot(search, trails.back());
      more = true;
    }
  }
  settle_widths(residual, mask, found, options.faintest_wing, trails);
  return trails;
}

}  // namespace coldframe::stack
