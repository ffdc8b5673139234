#include "colour_stars.hpp"

#include <algorithm>
#include <cctype>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

Grid<float> plane_of(const fits::ImageFile& image, int plane) {
  Grid<float> values(image.size());
  for_strips(image.size(),
             [&](const Rect& band) { image.fill(plane, band, values.view().crop(band)); });
  return values;
}

// Sum within three widths above the median of a ring: filling in a mosaic's colours widens red and
// blue more than green, so that profile fits of the planes do not catch the same share of a star.
// Unset where a pixel has no value.
std::optional<double> aperture_counts(const Grid<float>& plane, Point at, double fwhm_px) {
  const double radius = 3.0 * fwhm_px;
  const double inner = 4.0 * fwhm_px;
  const double outer = 6.0 * fwhm_px;
  const int reach = static_cast<int>(outer) + 1;
  const int cx = static_cast<int>(std::lround(at.x));
  const int cy = static_cast<int>(std::lround(at.y));
  if (cx < reach || cy < reach || cx + reach >= plane.width() || cy + reach >= plane.height()) {
    return std::nullopt;
  }
  double sum = 0.0;
  double pixels = 0.0;
  std::vector<double> ring;
  for (int y = cy - reach; y <= cy + reach; ++y) {
    for (int x = cx - reach; x <= cx + reach; ++x) {
      const double r = std::hypot(x - at.x, y - at.y);
      const auto value = static_cast<double>(plane(x, y));
      if (r <= outer && !std::isfinite(value)) return std::nullopt;
      if (r <= radius) {
        sum += value;
        pixels += 1.0;
      } else if (r >= inner && r <= outer) {
        ring.push_back(value);
      }
    }
  }
  return sum - pixels * median_in_place(ring);
}

}  // namespace

std::optional<double> solar_colour(const std::string& column) {
  std::string name;
  for (const char c : column) {
    const auto u = static_cast<unsigned char>(c);
    if (std::isalnum(u) != 0) name += static_cast<char>(std::tolower(u));
  }
  // Colours of the Sun, from memory: B-V Ramirez et al. 2012 (ApJ 752, 5), BP-RP Casagrande &
  // VandenBerg 2018 (MNRAS 479, L102), g-r the survey's own conversion.
  if (name == "bv") return 0.653;
  if (name == "bprp") return 0.82;
  if (name == "gr") return 0.44;
  return std::nullopt;
}

std::optional<sky::ColourBalance> balance_of(const std::filesystem::path& image,
                                             const SolvedImage& solved,
                                             std::optional<double> white_colour) {
  const auto file = fits::ImageFile::open(image);
  if (file->planes() != 3) return std::nullopt;
  const Grid<float> planes[3] = {plane_of(*file, 0), plane_of(*file, 1), plane_of(*file, 2)};
  constexpr double least_snr = 50.0;
  std::vector<sky::ColourSample> samples;
  std::vector<double> colours;
  for (const auto& row : solved.table) {
    const int spoiled =
        photometry_flag::saturated | photometry_flag::neighbour | photometry_flag::edge;
    if ((row.flags & spoiled) != 0 || row.snr < least_snr) continue;
    const auto r = aperture_counts(planes[0], row.pixel, row.fwhm_px);
    const auto g = aperture_counts(planes[1], row.pixel, row.fwhm_px);
    const auto b = aperture_counts(planes[2], row.pixel, row.fwhm_px);
    if (!r || !g || !b) continue;
    samples.push_back({*r, *g, *b, row.colour});
    if (std::isfinite(row.colour)) colours.push_back(row.colour);
  }
  double white = 0.0;
  if (white_colour) {
    white = *white_colour;
  } else if (const auto sun = solar_colour(solved.depth.colour_name)) {
    white = *sun;
  } else if (!colours.empty()) {
    white = median_in_place(colours);
  }
  return sky::balance_colours(samples, white);
}

}  // namespace coldframe::session
