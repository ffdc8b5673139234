#include "coldframe/stars/measure.hpp"

#include <algorithm>
#include <cmath>
#include <utility>

#include "coldframe/core/error.hpp"
#include "coldframe/stars/scratch.hpp"
#include "stars/crowd.hpp"
#include "stars/detect.hpp"
#include "stars/quality.hpp"
#include "stars/rings.hpp"
#include "stars/source.hpp"
#include "stars/star_from_fit.hpp"

namespace coldframe::stars {
namespace {

constexpr double first_fwhm_px = 3.0;  ///< width of the first filter, before anything is known

void check(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
           const MeasureOptions& options) {
  auto faults = options.faults();
  if (image.size() != mask.size()) faults.emplace_back("the mask's size is not the image's");
  if (faults.empty()) return;
  std::string text = faults.front();
  for (std::size_t i = 1; i < faults.size(); ++i) text += "; " + faults[i];
  throw Error(ErrorKind::usage, "", "star measurement: " + text, "");
}

std::vector<Source> inspect_all(const DetectionFrame& frame, const FilteredFrame& filtered,
                                const std::vector<Peak>& peaks, double fwhm_px, Threads threads) {
  std::vector<Source> sources(peaks.size());
  const auto order = by_rows(peaks, filtered.values.height());
  const PeakLimits limits = peak_limits(fwhm_px, frame.cfa);
  constexpr std::size_t chunk = 128;
  parallel_for(threads, (peaks.size() + chunk - 1) / chunk, [&](std::size_t c) {
    for (std::size_t k = c * chunk; k < std::min(peaks.size(), (c + 1) * chunk); ++k) {
      const std::size_t i = order[k];
      sources[i] = inspect_peak(frame, filtered, peaks[i], limits);
    }
  });
  return sources;
}

/// A clipped core gives several maxima: the brightest stands for all.
void merge_saturated(std::vector<Source>& sources) {
  std::vector<const Source*> seen;
  for (Source& s : sources) {
    if (!s.saturated || s.dropped) continue;
    for (const Source* other : seen) {
      const double reach = std::max(2.0, other->saturated_radius);
      if (std::hypot(s.star.x - other->star.x, s.star.y - other->star.y) < reach) s.dropped = true;
    }
    if (!s.dropped) seen.push_back(&s);
  }
}

/// Width of the Gaussian that finds stars of a Moffat profile best: a little wider than they are.
/// With it the filter reaches 0.993 (beta 2.5) to 0.998 (4.5) of the signal-to-noise of the
/// profile itself (computed numerically for widths of 2 to 4.5 px).
double matched_width(const FieldProfile& profile) noexcept {
  return profile.fwhm_px * (profile.gaussian ? 1.0 : 1.0 + 0.25 / profile.beta);
}

/// For fields whose few stars may be too wide and faint for a narrow filter: wider ones, the one
/// that shows most decides. `filtered` holds the first filter's work and then the last's.
void try_wider(const DetectionFrame& frame, Threads threads, FilteredFrame& filtered,
               FieldProfile& profile) {
  constexpr int few_stars = 8;
  constexpr std::size_t least_peaks = 3;
  FaintWidth faint;
  if (profile.stars == 0) faint = width_of_faint(frame, filtered, threads);
  for (const double wider : {7.0, 15.0}) {
    if (profile.stars >= few_stars) return;
    filter_frame(frame, wider, threads, filtered);
    const FieldProfile other = find_field_profile(frame, filtered, threads);
    if (other.stars > profile.stars) profile = other;
    if (profile.stars > 0) continue;
    const FaintWidth seen = width_of_faint(frame, filtered, threads);
    if (seen.peaks > faint.peaks) faint = seen;
  }
  if (profile.stars > 0 || faint.peaks < least_peaks) return;
  profile.fwhm_px = std::clamp(faint.fwhm_px, 1.2, 25.0);
  profile.optical_px = optical_fwhm(profile.fwhm_px, profile.beta);
}

/// Finds the field's profile and leaves the frame filtered with its width. A third of the
/// frame, in bands, serves for the profile when it holds enough stars.
void find_width(const DetectionFrame& frame, Threads threads, FilteredFrame& filtered,
                FieldProfile& profile) {
  constexpr int enough_stars = 24;
  filter_frame(frame, first_fwhm_px, threads, filtered, {3, 1});
  profile = find_field_profile(frame, filtered, threads);
  if (profile.stars < enough_stars) {
    filter_frame(frame, first_fwhm_px, threads, filtered);
    profile = find_field_profile(frame, filtered, threads);
    try_wider(frame, threads, filtered, profile);
    // The last filter serves again when it is as good as matched.
    if (std::abs(matched_width(profile) / filtered.fwhm_px - 1.0) <= 0.1) return;
  }
  filter_frame(frame, matched_width(profile), threads, filtered);
}

/// So few measured stars may be pieces of something larger.
constexpr int few_profile_stars = 24;

/// No seeing makes so wide stars without wings.
bool looks_flat(const FieldProfile& profile) noexcept {
  return profile.fwhm_px > 6.0 && (profile.gaussian || profile.beta > 8.0);
}

/// A cell must be much wider than a star, else it takes the star's light for sky.
int cell_for(double fwhm_px, const SkyMeshOptions& options) noexcept {
  constexpr double widths = 9.0;
  int cell = options.cell_px;
  while (cell < widths * fwhm_px && cell < 4 * options.cell_px) cell *= 2;
  return cell;
}

/// Detection with the filter's width as it is.
std::vector<Source> detect(const DetectionFrame& frame, const FilteredFrame& filtered,
                           const FieldProfile& profile, double threshold, Threads threads) {
  auto peaks =
      keep_prominent(frame, filtered, find_peaks(filtered, threshold, threads), threshold, threads);
  auto sources = inspect_all(frame, filtered, peaks, profile.fwhm_px, threads);
  merge_saturated(sources);
  return sources;
}

/// All sources of a frame whose stars are rings of this diameter.
std::vector<Source> find_rings(const DetectionFrame& frame, const MeasureOptions& options,
                               SkyMeshOptions& sky_options, SkyMesh& sky, double diameter,
                               FieldProfile& profile, FilteredFrame& filtered, Threads threads) {
  profile = {};
  profile.rings = true;
  profile.gaussian = true;
  profile.fwhm_px = diameter;
  profile.optical_px = diameter;
  const int cell = cell_for(diameter, sky_options);
  if (cell != sky_options.cell_px) {
    sky_options.cell_px = cell;
    sky = measure_sky(frame.image, frame.mask, sky_options, threads);
  }
  filter_frame(frame, 0.85 * diameter, threads, filtered);
  auto sources = detect(frame, filtered, profile, options.threshold_sigma, threads);
  measure_rings(frame, diameter, sources, profile, threads);
  return sources;
}

/// All sources with their fits; `sky` (which `frame` points to) is measured again where wide stars
/// ask for wider cells, and where the light of many stars lies on it.
std::vector<Source> find_and_fit(const DetectionFrame& frame, const MeasureOptions& options,
                                 SkyMeshOptions& sky_options, SkyMesh& sky, FieldProfile& profile,
                                 FilteredFrame& filtered, Threads threads) {
  find_width(frame, threads, filtered, profile);
  if (profile.crowded || profile.stars < few_profile_stars || looks_flat(profile)) {
    const double diameter = ring_field(frame, filtered, threads);
    if (diameter > 0.0) {
      return find_rings(frame, options, sky_options, sky, diameter, profile, filtered, threads);
    }
    filter_frame(frame, matched_width(profile), threads, filtered);
  }
  const int cell = cell_for(profile.fwhm_px, sky_options);
  if (cell != sky_options.cell_px) {
    sky_options.cell_px = cell;
    sky = measure_sky(frame.image, frame.mask, sky_options, threads);
    filter_frame(frame, matched_width(profile), threads, filtered);
  }
  auto sources = detect(frame, filtered, profile, options.threshold_sigma, threads);
  fit_sources(frame, sources, profile, options.max_fits, threads);
  if (is_crowded(sources) || !covers_much(sources, profile, frame.image.size())) return sources;
  const CrowdOptions crowd{options.threshold_sigma, options.max_fits, sky_options};
  look_beside(frame, crowd, profile, sky, sources, threads);
  fit_sources(frame, sources, profile, options.max_fits, threads);
  return sources;
}

double gain_of(const MeasureOptions& options, const SkyMesh& sky) {
  const double noise = sky.median_noise();
  const double level = sky.median_level();
  if (!options.gain_assumed || !(noise > 0.0) || !(level > 0.0)) return options.gain_e_per_unit;
  return std::max(options.gain_e_per_unit, level / (noise * noise));
}

StarList collect(const std::vector<Source>& sources, bool stars, int limit) {
  StarList list;
  for (const Source& s : sources) {
    if (!s.dropped && is_star(s.star.kind) == stars) list.push_back(s.star);
  }
  std::stable_sort(list.begin(), list.end(),
                   [](const Star& a, const Star& b) { return a.flux > b.flux; });
  if (list.size() > static_cast<std::size_t>(limit)) list.resize(static_cast<std::size_t>(limit));
  return list;
}

}  // namespace

std::vector<std::string> MeasureOptions::faults() const {
  std::vector<std::string> list;
  if (!(threshold_sigma >= 1.5 && threshold_sigma <= 1000.0)) {
    list.emplace_back("the detection threshold must lie between 1.5 and 1000 sigma");
  }
  if (max_fits < 0) list.emplace_back("the number of fits must not be negative");
  if (max_stars < 1) list.emplace_back("the number of stars kept must be at least 1");
  if (!(gain_e_per_unit > 0.0) || !std::isfinite(gain_e_per_unit)) {
    list.emplace_back("the gain must be a positive number of electrons per unit");
  }
  if (sky.cell_px < 16) list.emplace_back("a cell of the sky mesh must be at least 16 px wide");
  if (!(sky.kappa >= 2.0))
    list.emplace_back("the clipping limit of the sky mesh must be at least 2");
  if (sky.max_iterations < 0) list.emplace_back("the clipping rounds must not be negative");
  if (sky.filter_cells < 1 || sky.filter_cells > 7 || sky.filter_cells % 2 == 0) {
    list.emplace_back("the median filter over sky cells must have an odd side of at most 7");
  }
  return list;
}

FrameMeasurement measure_frame(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                               const MeasureOptions& options, Threads threads) {
  MeasureScratch scratch;
  return measure_frame(image, mask, options, threads, scratch);
}

FrameMeasurement measure_frame(PlaneView<const float> image, PlaneView<const std::uint8_t> mask,
                               const MeasureOptions& options, Threads threads,
                               MeasureScratch& scratch) {
  check(image, mask, options);
  FrameMeasurement result;
  SkyMeshOptions sky_options = options.sky;
  sky_options.cfa = options.cfa;
  result.sky = measure_sky(image, mask, sky_options, threads);
  FieldProfile profile;
  std::vector<Source> sources;
  const DetectionFrame frame{image, mask, &result.sky, options.cfa, gain_of(options, result.sky)};
  if (result.sky.median_noise() > 0.0) {
    FilteredFrame filtered;
    filtered.values = std::move(scratch.filtered);
    sources = find_and_fit(frame, options, sky_options, result.sky, profile, filtered, threads);
    scratch.filtered = std::move(filtered.values);
    const bool crowded = !profile.rings && is_crowded(sources);
    if (crowded) {
      CrowdOptions crowd{options.threshold_sigma, options.max_fits, sky_options};
      resolve_crowd(frame, crowd, result.sky, sources, profile, threads);
    }
    if (!profile.rings) widen_errors(sources, profile, image.size(), crowded);
    classify(image.size(), profile, sources);
  }
  result.quality = frame_quality(frame, sources, profile);
  result.stars = collect(sources, true, options.max_stars);
  result.others = collect(sources, false, options.max_stars);
  return result;
}

std::string_view to_string(QualityStatus status) noexcept {
  switch (status) {
    case QualityStatus::good:
      return "good";
    case QualityStatus::few_stars:
      return "few stars";
    case QualityStatus::no_stars:
      return "no stars";
    case QualityStatus::no_sky:
      break;
  }
  return "no sky";
}

}  // namespace coldframe::stars
