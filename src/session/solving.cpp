#include "coldframe/session/solving.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "catalogue_table.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/sky/sphere.hpp"
#include "solving_parts.hpp"

namespace coldframe::session {
namespace {

constexpr double none = std::numeric_limits<double>::quiet_NaN();

struct Start {
  SkyPoint pointing;
  double radius_deg = 0.0;
};

// The header's or the owner's position; else the catalogue's own middle, when it is small.
Start start_of(const MeasuredImage& image, const SolvingOptions& options,
               const Catalogue& catalogue, std::vector<std::string>& notes) {
  if (options.position) return {*options.position, options.search_radius_deg};
  if (image.pointing) return {*image.pointing, options.search_radius_deg};
  const auto cap = sky::surrounding_cap(catalogue.stars);
  constexpr double widest_deg = 5.0;
  if (cap.radius_deg > widest_deg) {
    throw Error(ErrorKind::usage, "", "neither the header nor an option says where to search",
                "give --position RA,DEC (degrees, or hours:minutes:seconds)");
  }
  notes.push_back("no position in the header: searched the whole catalogue");
  return {cap.centre, cap.radius_deg};
}

double scale_of(const MeasuredImage& image, const SolvingOptions& options) {
  if (options.arcsec_per_px) return *options.arcsec_per_px;
  if (image.arcsec_per_px) return *image.arcsec_per_px;
  throw Error(ErrorKind::usage, "", "neither the header nor an option tells the scale",
              "give --pixel-scale ARCSEC, or FOCALLEN and XPIXSZ with --supply");
}

std::vector<sky::ZeroPointSample> zero_point_samples(const MeasuredImage& image,
                                                     const Catalogue& catalogue,
                                                     const std::vector<PhotometryRow>& rows,
                                                     const sky::PlateSolution& plate,
                                                     std::vector<std::size_t>& owner) {
  constexpr double least_snr = 20.0;
  std::vector<sky::ZeroPointSample> samples;
  const double exposure = image.exposure_s.value_or(1.0);
  for (const auto& pair : plate.pairs) {
    const auto& row = rows[pair.star];
    const auto& entry = catalogue.stars[pair.catalogue];
    const int spoiled =
        photometry_flag::saturated | photometry_flag::neighbour | photometry_flag::edge;
    if (!pair.used || (row.flags & spoiled) != 0 || std::isnan(entry.magnitude)) continue;
    if (!(row.counts > 0.0) || row.snr < least_snr) continue;
    samples.push_back({-2.5 * std::log10(row.counts / exposure),
                       1.0857 * row.counts_error / row.counts, entry.magnitude,
                       std::isnan(entry.magnitude_error) ? 0.0 : entry.magnitude_error,
                       entry.colour});
    owner.push_back(pair.star);
  }
  return samples;
}

void set_magnitudes(const MeasuredImage& image, const Catalogue& catalogue,
                    const sky::ZeroPoint& zero, const sky::PlateSolution& plate,
                    std::vector<PhotometryRow>& rows) {
  std::vector<double> colours(rows.size(), none);
  for (const auto& pair : plate.pairs) {
    colours[pair.star] = catalogue.stars[pair.catalogue].colour;
  }
  const double exposure = image.exposure_s.value_or(1.0);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    auto& row = rows[i];
    if (!(row.counts > 0.0)) continue;
    row.magnitude = zero.at(colours[i]) - 2.5 * std::log10(row.counts / exposure);
    row.magnitude_error = 1.0857 * row.counts_error / row.counts;
  }
}

void set_limits(const MeasuredImage& image, double arcsec_per_px, Depth& depth) {
  sky::DepthInput input;
  input.zero_point = depth.zero_point->magnitude.value;
  input.exposure_s = image.exposure_s.value_or(1.0);
  input.noise_per_px = image.noise_per_px;
  input.arcsec_per_px = arcsec_per_px;
  input.fwhm_px = image.quality.fwhm_px;
  input.beta = image.quality.beta;
  if (!(input.noise_per_px > 0.0) || image.quality.fitted == 0) return;
  const double star_side = std::sqrt(sky::noise_equivalent_area(input.fwhm_px, input.beta));
  input.star_noise_factor = image.noise_factor(star_side);
  input.area_noise_factor = image.noise_factor(10.0 / arcsec_per_px);
  depth.limiting_mag = sky::limiting_magnitude(input);
  depth.limiting_mag_arcsec2 = sky::limiting_surface_brightness(input);
  if (image.sky_per_px && *image.sky_per_px > 0.0) {
    depth.sky_mag_arcsec2 = sky::surface_brightness(input.zero_point, *image.sky_per_px,
                                                    input.exposure_s, arcsec_per_px);
  }
}

void photometer(const MeasuredImage& image, const Catalogue& catalogue, SolvedImage& solved) {
  auto rows = photometry_rows(image, catalogue, solved);
  std::vector<std::size_t> owner;
  const auto samples = zero_point_samples(image, catalogue, rows, solved.plate, owner);
  solved.depth.magnitude_name = catalogue.magnitude_name;
  solved.depth.zero_point = sky::fit_zero_point(samples);
  if (solved.depth.zero_point) {
    const auto& zero = *solved.depth.zero_point;
    if (zero.colour_term) solved.depth.colour_name = catalogue.colour_name;
    for (std::size_t k = 0; k < owner.size(); ++k) {
      if (zero.used[k]) rows[owner[k]].flags |= photometry_flag::zero_point;
    }
    set_magnitudes(image, catalogue, zero, solved.plate, rows);
    set_limits(image, solved.plate.wcs.arcsec_per_px(), solved.depth);
    if (!image.exposure_s) solved.notes.push_back("no exposure time: 1 s is taken");
  } else if (catalogue.magnitude_name.empty()) {
    solved.notes.push_back("the catalogue has no magnitudes: no zero point");
  } else {
    solved.notes.push_back("too few clean catalogue stars with magnitudes: no zero point");
  }
  std::stable_sort(rows.begin(), rows.end(), [](const PhotometryRow& a, const PhotometryRow& b) {
    return a.counts > b.counts;
  });
  solved.table = std::move(rows);
}

}  // namespace

SkyPoint parse_position(const std::string& text) {
  const auto comma = text.find(',');
  if (comma != std::string::npos) {
    const double ra = cell_angle(text.substr(0, comma), true);
    const double dec = cell_angle(text.substr(comma + 1), false);
    if (ra >= 0.0 && ra <= 360.0 && std::fabs(dec) <= 90.0) return {ra, dec};
  }
  throw Error(ErrorKind::usage, "", "'" + text + "' is no position on the sky",
              "write RA,DEC in degrees, or as 12:34:56,-5:06:07 with RA in hours");
}

double year_of(double utc_s) noexcept {
  constexpr double j2000_s = 946728000.0;  // 2000-01-01 12:00
  constexpr double year_s = 365.25 * 86400.0;
  return 2000.0 + (utc_s - j2000_s) / year_s;
}

double factor_at(std::span<const std::pair<double, double>> known, double side) {
  if (known.empty()) return 1.0;
  if (side <= known.front().first) {
    // A single pixel has no neighbours to share noise with.
    const double share = std::log(std::max(side, 1.0)) / std::log(known.front().first);
    return 1.0 + share * (known.front().second - 1.0);
  }
  for (std::size_t k = 1; k < known.size(); ++k) {
    if (side > known[k].first) continue;
    const double share =
        std::log(side / known[k - 1].first) / std::log(known[k].first / known[k - 1].first);
    return known[k - 1].second + share * (known[k].second - known[k - 1].second);
  }
  return known.back().second;
}

std::optional<double> year_of(const FrameInfo& info) noexcept {
  if (!info.start_s) return std::nullopt;
  return year_of(*info.start_s + 0.5 * info.exposure_s.value_or(0.0));
}

SolvedImage solve_image(const MeasuredImage& image, const Catalogue& catalogue,
                        const SolvingOptions& options, Threads threads) {
  SolvedImage solved;
  solved.catalogue = options.catalogue.path.filename().string();
  if (catalogue.note) solved.notes.push_back(*catalogue.note);
  const auto start = start_of(image, options, catalogue, solved.notes);
  sky::SolveOptions search;
  search.pointing = start.pointing;
  search.search_radius_deg = start.radius_deg;
  search.arcsec_per_px = scale_of(image, options);
  search.scale_tolerance = options.scale_tolerance;
  search.highest_order = options.highest_order;
  search.threads = threads;
  if (const auto faults = search.faults(); !faults.empty()) {
    throw Error(ErrorKind::usage, "", fmt::format("{}", fmt::join(faults, "; ")), "see --help");
  }
  solved.plate = sky::solve_plate(image.stars, image.frame, catalogue.stars, search);
  if (!solved.solved()) {
    solved.why_not = fmt::format(
        "{} ({} stars in the image; searched {:.3g} degrees about {:.4f} {:+.4f} at {:.3g} "
        "arcsec/px)",
        sky::to_string(solved.plate.status), image.stars.size(), start.radius_deg,
        start.pointing.ra_deg, start.pointing.dec_deg, search.arcsec_per_px);
    return solved;
  }
  photometer(image, catalogue, solved);
  return solved;
}

}  // namespace coldframe::session
