#include "double_images.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t most_stars = 150;
constexpr double least_share = 0.1;   // fainter second images are lost among the neighbours
constexpr double most_share = 1.15;   // 1 and measuring errors
constexpr double nearest_fwhm = 1.2;  // nearer images are one drawn-out star
constexpr double furthest_px = 60.0;
constexpr std::size_t least_pairs = 6;

struct Step {
  double x = 0.0;
  double y = 0.0;
  double share = 0.0;
};

std::vector<Star> brightest(const StarList& stars) {
  std::vector<Star> bright;
  for (const auto& star : stars) {
    if (star.flux > 0.0 && star.kind != StarClass::saturated) bright.push_back(star);
  }
  std::sort(bright.begin(), bright.end(), [](const Star& a, const Star& b) {
    return a.flux != b.flux ? a.flux > b.flux : (a.y != b.y ? a.y < b.y : a.x < b.x);
  });
  if (bright.size() > most_stars) bright.resize(most_stars);
  return bright;
}

std::vector<Step> steps_between(const std::vector<Star>& stars, double nearest) {
  std::vector<Step> steps;
  for (std::size_t i = 0; i < stars.size(); ++i) {
    for (std::size_t j = 0; j < stars.size(); ++j) {
      const double dx = stars[j].x - stars[i].x;
      const double dy = stars[j].y - stars[i].y;
      const double share = stars[j].flux / stars[i].flux;
      const double distance = std::hypot(dx, dy);
      if (i != j && distance > nearest && distance < furthest_px && share > least_share &&
          share < most_share) {
        steps.push_back({dx, dy, share});
      }
    }
  }
  return steps;
}

// The steps alike to one of them in displacement and relative brightness.
std::vector<Step> alike(const std::vector<Step>& steps, const Step& model, double reach) {
  constexpr double share_reach = 0.25;  // blends and noise of the fainter image
  std::vector<Step> members;
  for (const auto& step : steps) {
    const bool near = std::hypot(step.x - model.x, step.y - model.y) < reach;
    if (near && std::fabs(std::log(step.share / model.share)) < share_reach)
      members.push_back(step);
  }
  return members;
}

}  // namespace

std::optional<DoubleImage> find_double_images(const StarList& stars, double fwhm_px) {
  if (!(fwhm_px > 0.0)) return std::nullopt;
  const auto bright = brightest(stars);
  const auto steps = steps_between(bright, nearest_fwhm * fwhm_px);
  const double reach = std::clamp(0.25 * fwhm_px, 0.5, 1.5);
  std::vector<Step> best;
  for (const auto& step : steps) {
    auto members = alike(steps, step, reach);
    if (members.size() > best.size()) best = std::move(members);
  }
  if (best.size() < least_pairs) return std::nullopt;
  std::vector<double> shares;
  std::vector<double> distances;
  for (const auto& step : best) {
    shares.push_back(step.share);
    distances.push_back(std::hypot(step.x, step.y));
  }
  const DoubleImage found{median(distances), median(shares)};
  // First images whose second would be on the list too.
  const double least_flux = bright.back().flux / found.share;
  const auto expected = static_cast<double>(std::count_if(
      bright.begin(), bright.end(), [&](const Star& s) { return s.flux > least_flux; }));
  // Chance: the most crowded of many like cells of a Poisson field.
  const double chance =
      static_cast<double>(steps.size()) * reach * reach / (furthest_px * furthest_px);
  const auto count = static_cast<double>(best.size());
  const bool stands_out = count > chance + 5.0 * std::sqrt(chance) + 4.0 && count > 0.35 * expected;
  return stands_out ? std::optional(found) : std::nullopt;
}

}  // namespace coldframe::session
