#include "coldframe/stack/trails.hpp"

#include <algorithm>
#include <array>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "trail_fit.hpp"
#include "trail_profile.hpp"

namespace coldframe::stack {
namespace {

using detail::CrossProfile;
using detail::LineCandidate;
using detail::LineFit;
using detail::LineMeter;
using detail::SpeckPixel;
using detail::TrailPicture;

/// Beyond this a pixel counts no more: a single bright residue of a star cannot pose as a line.
constexpr float clip_level = 2.0F;

/// Both orientations of the picture, so that every line rises less than 45 degrees in one.
struct Search {
  PlaneView<const float> residual;
  TrailPicture upright;
  TrailPicture turned;
  std::array<std::vector<SpeckPixel>, 2> specks;  ///< of either orientation
  detail::RadonMemory memory;

  Search(PlaneView<const float> r, PlaneView<const std::uint8_t> mask)
      : residual(r),
        upright{Grid<float>(r.size()), Grid<float>(r.size())},
        turned{Grid<float>(r.height(), r.width()), Grid<float>(r.height(), r.width())} {
    specks[0] = detail::find_specks(r, mask);
    for (const SpeckPixel& p : specks[0]) specks[1].push_back({p.y, p.x});
    // Square by square: columns of the turned picture lie far apart.
    constexpr int side = 16;
    for (int y0 = 0; y0 < r.height(); y0 += side) {
      for (int x0 = 0; x0 < r.width(); x0 += side) {
        const Rect square = Rect{x0, y0, x0 + side, y0 + side}.intersect(whole(r.size()));
        for (int y = square.y0; y < square.y1; ++y) {
          for (int x = square.x0; x < square.x1; ++x) {
            const bool good = std::isfinite(r(x, y)) && (mask.empty() || mask(x, y) == 0);
            set(x, y, good ? std::clamp(r(x, y), -clip_level, clip_level) : 0.0F, good);
          }
        }
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
std::vector<Candidate> shortlist(Search& search, double min_length, std::size_t most) {
  const int shortest = std::max(16, static_cast<int>(0.5 * min_length));
  constexpr double least = 4.0;
  std::vector<Candidate> all;
  for (const bool turned : {false, true}) {
    for (const auto& line : radon_candidates(search.picture(turned), search.picture(!turned),
                                             shortest, least, search.memory)) {
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

struct Found {
  LineFit fit;
  bool turned = false;
  TrailKind kind = TrailKind::continuous;
};

Trail to_trail(const Search& search, const Found& found, double faintest) {
  const LineFit& fit = found.fit;
  const CrossProfile profile(search.picture(found.turned), search.residual, fit, found.turned);
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
Found examine(const Search& search, LineMeter& meter, const Candidate& c,
              const TrailOptions& options) {
  const TrailPicture& picture = search.picture(c.turned);
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
  // Some particle hits in a row lift a line of noise over the limit.
  constexpr double faint = 10.0;
  if (even && fit.significance < faint) {
    const double lost =
        fit.significance - meter.significance_without(fit, search.specks[c.turned ? 1 : 0]);
    if (fit.merit() - lost < least) return {};
  }
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
    const CrossProfile profile(alone.picture(found[k].turned), residual, found[k].fit,
                               found[k].turned);
    trails[k].width_px = profile.full_width(faintest);
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
  LineMeter upright(search.upright, search.turned, options.min_length_px);
  LineMeter turned(search.turned, search.upright, options.min_length_px);
  std::vector<Found> found;
  bool more = true;
  while (more && trails.size() < most) {
    more = false;
    constexpr std::size_t candidates = 80;
    for (const Candidate& c : shortlist(search, options.min_length_px, candidates)) {
      if (trails.size() == most) break;
      const Found one = examine(search, c.turned ? turned : upright, c, options);
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
