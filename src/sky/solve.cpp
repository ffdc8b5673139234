#include "coldframe/sky/solve.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>

#include "coldframe/core/log_gamma.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/sky/sphere.hpp"
#include "pairing.hpp"
#include "solve_search.hpp"

namespace coldframe::sky {
namespace {

constexpr std::size_t fewest = 6;

// Logarithm of P(X >= k) for n trials of probability p, by its largest term and a geometric bound
// on the rest (exact enough to compare with a limit).
double log_binomial_tail(double n, double k, double p) noexcept {
  if (k <= n * p) return 0.0;
  if (k > n || !(p > 0.0)) return p > 0.0 ? -1e9 : -1e9;
  if (p >= 1.0) return 0.0;
  const double term = log_gamma(n + 1.0) - log_gamma(k + 1.0) - log_gamma(n - k + 1.0) +
                      k * std::log(p) + (n - k) * std::log1p(-p);
  const double ratio = (n - k) / (k + 1.0) * p / (1.0 - p);
  return std::min(0.0, ratio < 1.0 ? term - std::log1p(-ratio) : term + std::log(n - k + 1.0));
}

// What the refinement works on: stars and the catalogue's stars near the frame.
struct Field {
  Size frame;
  std::vector<Point> stars;
  std::vector<double> variances;
  std::vector<std::size_t> by_flux;  ///< brightest first
  std::vector<std::size_t> entries;  ///< indices into the catalogue, brightest first
  std::span<const CatalogueStar> catalogue;
};

bool brighter(const CatalogueStar& a, const CatalogueStar& b) noexcept {
  if (std::isnan(a.magnitude) || std::isnan(b.magnitude)) {
    return !std::isnan(a.magnitude) && std::isnan(b.magnitude);
  }
  return a.magnitude < b.magnitude;
}

Field field_around(std::span<const Star> stars, Size frame,
                   std::span<const CatalogueStar> catalogue, const TanSip& wcs) {
  Field field{frame, {}, {}, {}, {}, catalogue};
  for (const auto& star : stars) {
    field.stars.push_back({star.x, star.y});
    const double error = std::isfinite(star.x_error + star.y_error)
                             ? 0.5 * (star.x_error * star.x_error + star.y_error * star.y_error)
                             : 1.0;
    // What no formal error knows: pixels' own irregularities and the catalogue.
    constexpr double floor_px = 0.03;
    field.variances.push_back(error + floor_px * floor_px);
    field.by_flux.push_back(field.by_flux.size());
  }
  std::stable_sort(field.by_flux.begin(), field.by_flux.end(),
                   [&](std::size_t a, std::size_t b) { return stars[a].flux > stars[b].flux; });
  const double radius = 1.3 * field_radius_deg(frame, wcs.arcsec_per_px());
  for (std::size_t i = 0; i < catalogue.size(); ++i) {
    if (std::fabs(catalogue[i].position.dec_deg - wcs.tangent.dec_deg) > radius) continue;
    if (separation_deg(catalogue[i].position, wcs.tangent) <= radius) field.entries.push_back(i);
  }
  std::stable_sort(field.entries.begin(), field.entries.end(), [&](std::size_t a, std::size_t b) {
    return brighter(catalogue[a], catalogue[b]);
  });
  return field;
}

// Where the solution puts the catalogue's stars; those out of the frame are far away.
std::vector<Point> projected(const Field& field, const TanSip& wcs, double margin) {
  std::vector<Point> points;
  for (const auto entry : field.entries) {
    const auto p = wcs.to_pixel(field.catalogue[entry].position);
    const bool inside = p && p->x > -margin && p->y > -margin &&
                        p->x < field.frame.width + margin && p->y < field.frame.height + margin;
    const double none = std::nan("");
    points.push_back(inside ? *p : Point{none, none});
  }
  return points;
}

std::vector<SolvedPair> pair_field(const Field& field, const TanSip& wcs, double radius) {
  const auto all = projected(field, wcs, radius);
  std::vector<Point> there;
  std::vector<std::size_t> entry;
  for (std::size_t i = 0; i < all.size(); ++i) {
    if (std::isnan(all[i].x)) continue;
    there.push_back(all[i]);
    entry.push_back(field.entries[i]);
  }
  std::vector<SolvedPair> pairs;
  for (const auto& [a, b] : mutual_pairs(field.stars, there, radius)) {
    pairs.push_back(
        {a, entry[b], {there[b].x - field.stars[a].x, there[b].y - field.stars[a].y}, true});
  }
  return pairs;
}

// Robust scatter per axis of residuals that should have no mean.
double robust_axis_sigma(const std::vector<SolvedPair>& pairs) {
  std::vector<double> lengths;
  for (const auto& pair : pairs) {
    lengths.push_back(std::hypot(pair.residual_px.x, pair.residual_px.y));
  }
  // The median of a Rayleigh distribution is sqrt(2 ln 2) sigma.
  return lengths.empty() ? 0.0 : median_in_place(lengths) / std::sqrt(2.0 * std::numbers::ln2);
}

void mark_outliers(std::vector<SolvedPair>& pairs) {
  // A Rayleigh variable exceeds 3.4 sigma in 0.3 % of the cases, as a Gaussian does 3.
  const double limit = 3.4 * std::max(robust_axis_sigma(pairs), 1e-4);
  for (auto& pair : pairs) {
    pair.used = std::hypot(pair.residual_px.x, pair.residual_px.y) <= limit;
  }
}

std::vector<PixelSky> fit_points(const Field& field, const std::vector<SolvedPair>& pairs) {
  std::vector<PixelSky> points;
  for (const auto& pair : pairs) {
    if (!pair.used) continue;
    points.push_back({field.stars[pair.star], field.catalogue[pair.catalogue].position,
                      1.0 / field.variances[pair.star]});
  }
  return points;
}

std::size_t count_used(const std::vector<SolvedPair>& pairs) {
  return static_cast<std::size_t>(
      std::count_if(pairs.begin(), pairs.end(), [](const SolvedPair& p) { return p.used; }));
}

// Rounds of pairing and fitting, until nothing changes.
std::optional<TanSip> refine(const Field& field, TanSip wcs, const SolveOptions& options,
                             std::vector<SolvedPair>& pairs) {
  double radius = options.tolerance_px;
  std::size_t before = 0;
  constexpr int most_rounds = 15;
  for (int round = 0; round < most_rounds; ++round) {
    pairs = pair_field(field, wcs, radius);
    mark_outliers(pairs);
    // Pairs of the middle say little about high orders at the rim: these wait.
    const int highest = std::min(options.highest_order, round < 4 ? 3 : 5);
    auto next = fit_best_order(fit_points(field, pairs), field.frame, highest, wcs.tangent);
    if (!next) return std::nullopt;
    wcs = std::move(*next);
    const std::size_t used = count_used(pairs);
    if (round > 5 && used == before) break;
    before = used;
    // Grows with the field's own errors, shrinks to them once the whole field is in.
    if (round >= 4) {
      radius = std::clamp(5.0 * robust_axis_sigma(pairs), 0.4, options.tolerance_px);
    }
  }
  pairs = pair_field(field, wcs, radius);
  mark_outliers(pairs);
  return wcs;
}

// Chance of so many pairs, looking at the brightest of both lists at several depths.
double chance_of(const Field& field, const TanSip& wcs, const std::vector<SolvedPair>& pairs,
                 double tries) {
  const auto places = projected(field, wcs, 0.0);
  const double area = static_cast<double>(field.frame.count());
  const double sigma = robust_axis_sigma(pairs);
  const double radius = std::clamp(3.4 * sigma, 0.05, 10.0);
  std::vector<std::size_t> star_rank(field.stars.size());
  for (std::size_t i = 0; i < field.by_flux.size(); ++i) star_rank[field.by_flux[i]] = i;
  std::vector<std::size_t> entry_rank(field.catalogue.size(), field.catalogue.size());
  std::size_t inside = 0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    if (!std::isnan(places[i].x)) entry_rank[field.entries[i]] = inside++;
  }
  const double free_pairs = 0.5 * static_cast<double>(2 * Polynomial2::terms(wcs.order())) + 1.0;
  double best = 0.0;
  constexpr std::size_t depths[4] = {50, 200, 800, ~std::size_t{0}};
  for (const std::size_t depth : depths) {
    const auto n_stars = static_cast<double>(std::min(depth, field.stars.size()));
    const auto n_entries = static_cast<double>(std::min(depth, inside));
    double close = 0.0;
    for (const auto& pair : pairs) {
      close += pair.used && star_rank[pair.star] < depth && entry_rank[pair.catalogue] < depth;
    }
    const double candidates = std::min(n_stars, n_entries);
    const double p =
        std::min(1.0, std::max(n_stars, n_entries) * std::numbers::pi * radius * radius / area);
    if (close <= free_pairs || candidates <= free_pairs) continue;
    best = std::min(best, log_binomial_tail(candidates - free_pairs, close - free_pairs, p));
  }
  return std::min(1.0, 4.0 * tries * std::exp(best));
}

void state_quality(PlateSolution& solution) {
  double squares = 0.0;
  for (const auto& pair : solution.pairs) {
    if (!pair.used) continue;
    squares += pair.residual_px.x * pair.residual_px.x + pair.residual_px.y * pair.residual_px.y;
    ++solution.used;
  }
  if (solution.used > 0) solution.rms_px = std::sqrt(squares / solution.used);
  solution.rms_arcsec = solution.rms_px * solution.wcs.arcsec_per_px();
}

}  // namespace

std::vector<std::string> SolveOptions::faults() const {
  std::vector<std::string> list;
  if (!(arcsec_per_px > 0.0 && arcsec_per_px < 3600.0)) {
    list.emplace_back("the scale must lie between 0 and 3600 arcsec/px");
  }
  if (!(scale_tolerance > 0.0 && scale_tolerance < 0.9)) {
    list.emplace_back("the scale's tolerance must be a share between 0 and 0.9");
  }
  if (!(search_radius_deg >= 0.0 && search_radius_deg <= 30.0)) {
    list.emplace_back("the search radius must lie between 0 and 30 degrees");
  }
  if (!(tolerance_px > 0.0)) list.emplace_back("the tolerance must be positive");
  if (highest_order < 1 || highest_order > 5) {
    list.emplace_back("the order of the distortion must lie between 1 and 5");
  }
  if (!std::isfinite(pointing.ra_deg) || !(std::fabs(pointing.dec_deg) <= 90.0)) {
    list.emplace_back("the pointing is no position on the sky");
  }
  return list;
}

std::string_view to_string(SolveStatus status) noexcept {
  switch (status) {
    case SolveStatus::solved:
      return "solved";
    case SolveStatus::too_few_stars:
      return "too few stars in the image";
    case SolveStatus::too_few_catalogue_stars:
      return "too few catalogue stars near the pointing";
    case SolveStatus::no_match:
      return "no match with the catalogue";
  }
  return "";
}

PlateSolution solve_plate(std::span<const Star> stars, Size frame,
                          std::span<const CatalogueStar> catalogue, const SolveOptions& options) {
  PlateSolution best;
  best.status = SolveStatus::too_few_stars;
  if (stars.size() < fewest) return best;
  const double radius = field_radius_deg(frame, options.arcsec_per_px);
  const auto near =
      stars_near(catalogue, options.pointing, options.search_radius_deg + 1.5 * radius);
  best.status = SolveStatus::too_few_catalogue_stars;
  if (near.size() < fewest) return best;
  best.status = SolveStatus::no_match;
  const auto tiles = search_tiles(options, radius);
  // In batches of one size whatever the number of threads: the nearest success counts.
  constexpr std::size_t batch = 8;
  for (std::size_t first = 0; first < tiles.size(); first += batch) {
    const std::size_t count = std::min(batch, tiles.size() - first);
    std::vector<std::optional<TanSip>> rough(count);
    parallel_for(options.threads, count, [&](std::size_t i) {
      rough[i] = match_tile(stars, frame, near, tiles[first + i], tiles.size(), options);
    });
    for (const auto& start : rough) {
      if (!start) continue;
      const Field field = field_around(stars, frame, catalogue, *start);
      PlateSolution solution;
      const auto wcs = refine(field, *start, options, solution.pairs);
      if (!wcs || count_used(solution.pairs) < fewest) continue;
      solution.wcs = *wcs;
      solution.false_probability =
          chance_of(field, *wcs, solution.pairs, 1000.0 * static_cast<double>(tiles.size()));
      if (solution.false_probability > options.max_false_probability) continue;
      solution.status = SolveStatus::solved;
      const Point middle{0.5 * (frame.width - 1), 0.5 * (frame.height - 1)};
      solution.offset_deg = separation_deg(options.pointing, wcs->to_sky(middle));
      const auto places = projected(field, *wcs, 0.0);
      solution.catalogue_stars = static_cast<std::size_t>(
          std::count_if(places.begin(), places.end(), [](Point p) { return !std::isnan(p.x); }));
      state_quality(solution);
      return solution;
    }
  }
  return best;
}

std::vector<SolvedPair> pair_with_catalogue(std::span<const Star> stars, Size frame,
                                            std::span<const CatalogueStar> catalogue,
                                            const TanSip& wcs, double radius_px) {
  return pair_field(field_around(stars, frame, catalogue, wcs), wcs, radius_px);
}

}  // namespace coldframe::sky
