#include "reference_choice.hpp"

#include <algorithm>
#include <cmath>
#include <vector>

#include "coldframe/core/error.hpp"
#include "double_images.hpp"
#include "mosaic.hpp"

namespace coldframe::session {
namespace {

// How much a sub promises, before anything is known of its transparency:
// depth (stars seen, noise) and sharpness. `arcsec_per_px` 1 where scales are not known: then all
// are in pixels.
double promise(const SubState& sub, double arcsec_per_px) {
  const auto& q = sub.measured.quality;
  if (!sub.usable || q.status == stars::QualityStatus::no_sky) return 0.0;
  // Stars per area of sky, so that a wide field is not taken for depth.
  const double area =
      static_cast<double>(sub.measured.frame.count()) * arcsec_per_px * arcsec_per_px;
  const double density = static_cast<double>(q.stars) / std::max(area, 1.0);
  // Too few stars to tell their width: only the number speaks, behind any sub with a width.
  if (q.fitted < 3 || q.fwhm_px <= 0.0) return 1e-6 * density;
  double round = std::max(1.0 - 2.0 * std::max(q.ellipticity - 0.15, 0.0), 0.05);
  if (find_double_images(sub.measured.stars, q.fwhm_px)) round = 0.05;  // counts its stars twice
  const double width = q.fwhm_px * arcsec_per_px;
  return density * round / (width * width);
}

double scale_of(const SubState& sub) {
  return sub.info == nullptr ? 0.0 : sub.info->arcsec_per_px().value_or(0.0);
}

// Promises of all, comparable with each other: on the sky where every header tells its scale.
std::vector<double> promises(std::span<const SubState* const> subs) {
  const bool known = std::all_of(subs.begin(), subs.end(),
                                 [](const SubState* sub) { return scale_of(*sub) > 0.0; });
  std::vector<double> values;
  for (const auto* sub : subs) values.push_back(promise(*sub, known ? scale_of(*sub) : 1.0));
  return values;
}

}  // namespace

std::size_t choose_reference(std::span<const SubState* const> subs, const std::string& wanted) {
  std::size_t best = subs.size();
  double best_promise = 0.0;
  const auto promised = promises(subs);
  for (std::size_t i = 0; i < subs.size(); ++i) {
    if (!wanted.empty()) {
      if (subs[i]->name == wanted && subs[i]->usable) return i;
      continue;
    }
    if (promised[i] > best_promise) {
      best_promise = promised[i];
      best = i;
    }
  }
  if (!wanted.empty()) {
    throw Error(ErrorKind::usage, wanted, "is not one of the usable subs",
                "give --reference a name as the survey lists it");
  }
  if (best == subs.size()) {
    throw Error(ErrorKind::not_enough_data, "", "no sub shows stars to register by",
                "check focus, cap and exposure of the lights");
  }
  return best;
}

namespace {

// Mean share of each other frame in common with this one, of the smaller of the two: a wider field
// is no better centred for being wide.
double centring(const SubState& sub, std::span<const SubState* const> others) {
  double sum = 0.0;
  for (const auto* other : others) sum += std::max(share_on(*other, sub), share_on(sub, *other));
  return sum / static_cast<double>(others.size());
}

}  // namespace

std::size_t better_centred(std::span<const SubState* const> subs, std::size_t chosen) {
  // Some dozens tell where the middle is; only what promises much is worth a look.
  constexpr std::size_t most_others = 64, most_looks = 24;
  constexpr double least_promise = 0.5, worth_it = 1.1;
  std::vector<const SubState*> others;
  const std::size_t step = 1 + subs.size() / most_others;
  for (std::size_t i = 0; i < subs.size(); i += step) {
    if (subs[i]->match.status == align::MatchStatus::matched) others.push_back(subs[i]);
  }
  if (others.size() < 2) return chosen;
  const auto promised = promises(subs);
  std::vector<std::size_t> order;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    const bool matched = subs[i]->match.status == align::MatchStatus::matched;
    if (i != chosen && matched && promised[i] >= least_promise * promised[chosen]) {
      order.push_back(i);
    }
  }
  std::stable_sort(order.begin(), order.end(),
                   [&](std::size_t a, std::size_t b) { return promised[a] > promised[b]; });
  const auto merit = [&](std::size_t i) {
    const double share = centring(*subs[i], others);
    return promised[i] * share * share;
  };
  std::size_t best = chosen;
  double highest = worth_it * merit(chosen);
  // Evenly over the promising: the best centred may not be the sharpest.
  const std::size_t stride = 1 + order.size() / most_looks;
  for (std::size_t k = 0; k < order.size(); k += stride) {
    const double value = merit(order[k]);
    if (value > highest) {
      highest = value;
      best = order[k];
    }
  }
  return best;
}

namespace {

bool is_matched(const SubState* sub) {
  return sub->usable && sub->match.status == align::MatchStatus::matched;
}

// A reference that fewer than half match gives way to the most promising of the others, a few
// times; the one with most matches is registered onto in the end.
std::size_t widely_matched(std::span<const SubState* const> subs, std::size_t first,
                           const std::function<void(std::size_t)>& onto) {
  constexpr int most_others = 3;
  const auto promised = promises(subs);
  const auto usable =
      std::count_if(subs.begin(), subs.end(), [](const SubState* sub) { return sub->usable; });
  std::vector<bool> out(subs.size(), false);  // tried, or a match of one that was
  std::size_t best = first, now = first;
  std::ptrdiff_t most = 0;
  for (int round = 0;; ++round) {
    onto(now);
    const auto count = std::count_if(subs.begin(), subs.end(), is_matched);
    if (count > most) {
      most = count;
      best = now;
    }
    if (2 * most >= usable || round == most_others) break;
    out[now] = true;
    std::size_t next = subs.size();
    for (std::size_t i = 0; i < subs.size(); ++i) {
      if (is_matched(subs[i])) out[i] = true;
      if (!out[i] && promised[i] > (next < subs.size() ? promised[next] : 0.0)) next = i;
    }
    if (next == subs.size()) break;
    now = next;
  }
  if (now != best) onto(best);
  return best;
}

}  // namespace

std::size_t settle_reference(std::span<const SubState* const> subs, std::size_t first, bool named,
                             const std::function<void(std::size_t)>& onto) {
  if (named) {
    onto(first);
    return first;
  }
  const std::size_t chosen = widely_matched(subs, first, onto);
  const std::size_t centred = better_centred(subs, chosen);
  if (centred != chosen) onto(centred);
  return centred;
}

std::size_t most_promising(const GroupState& group,
                           const std::function<bool(const SubState&)>& usable) {
  std::vector<const SubState*> subs;
  for (const auto& sub : group.subs) subs.push_back(&sub);
  const auto promised = promises(subs);
  double best = -1.0;
  std::size_t chosen = group.photometric_reference;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    if (usable(*subs[i]) && promised[i] > best) {
      best = promised[i];
      chosen = i;
    }
  }
  return chosen;
}

}  // namespace coldframe::session
