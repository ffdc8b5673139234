#include "colour_stars.hpp"

#include <algorithm>
#include <cctype>
#include <cmath>
#include <utility>

#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"
#include "result_stars.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

StarList stars_of_plane(const fits::ImageFile& image, int plane, double electrons_per_unit,
                        Threads threads) {
  Grid<float> values(image.size());
  Mask none(image.size());
  for_strips(image.size(),
             [&](const Rect& band) { image.fill(plane, band, values.view().crop(band)); });
  return measure_result(std::move(values), std::move(none), electrons_per_unit, threads).stars;
}

// The star nearest to a position, within a pixel and a half; lists are sorted by x.
const Star* star_at(const StarList& sorted, Point p) {
  constexpr double reach = 1.5;
  const auto from = std::lower_bound(sorted.begin(), sorted.end(), p.x - reach,
                                     [](const Star& s, double x) { return s.x < x; });
  const Star* best = nullptr;
  double nearest = reach;
  for (auto it = from; it != sorted.end() && it->x <= p.x + reach; ++it) {
    const double distance = std::hypot(it->x - p.x, it->y - p.y);
    if (distance >= nearest) continue;
    nearest = distance;
    best = &*it;
  }
  return best;
}

void sort_by_x(StarList& stars) {
  std::sort(stars.begin(), stars.end(),
            [](const Star& a, const Star& b) { return std::pair(a.x, a.y) < std::pair(b.x, b.y); });
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
                                             std::optional<double> white_colour,
                                             double electrons_per_unit, Threads threads) {
  const auto file = fits::ImageFile::open(image);
  if (file->planes() != 3) return std::nullopt;
  auto red = stars_of_plane(*file, 0, electrons_per_unit, threads);
  auto blue = stars_of_plane(*file, 2, electrons_per_unit, threads);
  sort_by_x(red);
  sort_by_x(blue);
  constexpr double least_snr = 30.0;
  std::vector<sky::ColourSample> samples;
  std::vector<double> colours;
  for (const auto& row : solved.table) {
    const int spoiled =
        photometry_flag::saturated | photometry_flag::neighbour | photometry_flag::edge;
    if ((row.flags & spoiled) != 0 || row.snr < least_snr) continue;
    const Star* r = star_at(red, row.pixel);
    const Star* b = star_at(blue, row.pixel);
    if (r == nullptr || b == nullptr || r->snr < least_snr || b->snr < least_snr) continue;
    if (r->kind == StarClass::saturated || b->kind == StarClass::saturated) continue;
    samples.push_back({r->flux, row.counts, b->flux, row.colour});
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
