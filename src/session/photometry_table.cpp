// The photometric table of an image: rows, FITS table, CSV.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/sky/sphere.hpp"
#include "solving_parts.hpp"

namespace coldframe::session {
namespace {

constexpr double none = std::numeric_limits<double>::quiet_NaN();

// Stars with another of 5% of their light or more within 2.5 widths. Sorted by x, so that only
// near ones are looked at.
std::vector<bool> with_neighbour(std::span<const Star> stars, double fwhm_px) {
  constexpr double reach_widths = 2.5;
  constexpr double share = 0.05;
  std::vector<std::size_t> order(stars.size());
  for (std::size_t i = 0; i < order.size(); ++i) order[i] = i;
  std::sort(order.begin(), order.end(),
            [&](std::size_t a, std::size_t b) { return stars[a].x < stars[b].x; });
  std::vector<bool> near(stars.size(), false);
  const double reach = reach_widths * std::max(fwhm_px, 1.0);
  for (std::size_t i = 0; i < order.size(); ++i) {
    const auto& a = stars[order[i]];
    for (std::size_t j = i + 1; j < order.size() && stars[order[j]].x - a.x <= reach; ++j) {
      const auto& b = stars[order[j]];
      if (std::hypot(b.x - a.x, b.y - a.y) > reach) continue;
      if (b.flux > share * a.flux) near[order[i]] = true;
      if (a.flux > share * b.flux) near[order[j]] = true;
    }
  }
  return near;
}

std::string number(double value, int decimals) {
  return std::isnan(value) ? std::string() : fmt::format("{:.{}f}", value, decimals);
}

}  // namespace

std::vector<PhotometryRow> photometry_rows(const MeasuredImage& image, const Catalogue& catalogue,
                                           const SolvedImage& solved) {
  const double fwhm = image.quality.fwhm_px;
  const double side =
      std::sqrt(sky::noise_equivalent_area(std::max(fwhm, 1.0), image.quality.beta));
  const double factor = image.noise_factor(side);
  const auto near = with_neighbour(image.stars, fwhm);
  std::vector<PhotometryRow> rows;
  for (std::size_t i = 0; i < image.stars.size(); ++i) {
    const auto& star = image.stars[i];
    PhotometryRow row;
    row.pixel = {star.x, star.y};
    row.sky = solved.plate.wcs.to_sky(row.pixel);
    row.counts = star.flux;
    row.counts_error = star.flux_error * factor;
    row.snr = row.counts_error > 0.0 ? star.flux / row.counts_error : 0.0;
    row.fwhm_px = star.fwhm_px;
    row.magnitude = row.magnitude_error = none;
    row.catalogue_magnitude = row.colour = row.separation_arcsec = none;
    const double margin = 2.0 * fwhm;
    const bool edge = star.x < margin || star.y < margin ||
                      star.x > image.frame.width - 1 - margin ||
                      star.y > image.frame.height - 1 - margin;
    row.flags = (star.kind == StarClass::saturated ? photometry_flag::saturated : 0) |
                (near[i] ? photometry_flag::neighbour : 0) | (edge ? photometry_flag::edge : 0);
    rows.push_back(row);
  }
  for (const auto& pair : solved.plate.pairs) {
    const auto& entry = catalogue.stars[pair.catalogue];
    auto& row = rows[pair.star];
    row.flags |= photometry_flag::catalogued;
    row.catalogue_magnitude = entry.magnitude;
    row.colour = entry.colour;
    row.separation_arcsec = 3600.0 * sky::separation_deg(row.sky, entry.position);
  }
  return rows;
}

fits::Table photometry_table(const SolvedImage& solved) {
  fits::Table table;
  table.name = "PHOTOMETRY";
  const auto& rows = solved.table;
  const auto add = [&](const char* name, const char* unit, const auto& value) {
    std::vector<double> values;
    for (const auto& row : rows) values.push_back(value(row));
    table.columns.push_back({name, unit, std::move(values)});
  };
  // FITS counts pixels from 1: this is the file boundary.
  add("X", "pix", [](const PhotometryRow& r) { return r.pixel.x + 1.0; });
  add("Y", "pix", [](const PhotometryRow& r) { return r.pixel.y + 1.0; });
  add("RA", "deg", [](const PhotometryRow& r) { return r.sky.ra_deg; });
  add("DEC", "deg", [](const PhotometryRow& r) { return r.sky.dec_deg; });
  add("MAG", "mag", [](const PhotometryRow& r) { return r.magnitude; });
  add("MAG_ERR", "mag", [](const PhotometryRow& r) { return r.magnitude_error; });
  add("FLUX", "", [](const PhotometryRow& r) { return r.counts; });
  add("FLUX_ERR", "", [](const PhotometryRow& r) { return r.counts_error; });
  add("SNR", "", [](const PhotometryRow& r) { return r.snr; });
  add("FWHM", "pix", [](const PhotometryRow& r) { return r.fwhm_px; });
  add("CAT_MAG", "mag", [](const PhotometryRow& r) { return r.catalogue_magnitude; });
  add("CAT_COL", "mag", [](const PhotometryRow& r) { return r.colour; });
  add("CAT_SEP", "arcsec", [](const PhotometryRow& r) { return r.separation_arcsec; });
  std::vector<std::int32_t> flags;
  for (const auto& row : rows) flags.push_back(row.flags);
  table.columns.push_back({"FLAGS", "", std::move(flags)});
  table.header.add(
      {"COMMENT",
       "FLAGS: 1 saturated, 2 near another star, 4 at the edge, 8 in the catalogue, 16 "
       "used for the zero point",
       "", Card::Type::commentary});
  if (const auto& zero = solved.depth.zero_point) {
    table.header.set("MAGZERO", zero->magnitude.value, "[mag] of one count per second");
    table.header.set("MAGZERR", zero->magnitude.error, "[mag] standard error, common to all rows");
  }
  return table;
}

std::string photometry_csv(const SolvedImage& solved) {
  std::string text =
      "ra,dec,x,y,mag,mag_err,flux,flux_err,snr,fwhm_px,cat_mag,cat_color,cat_sep_arcsec,flags\n";
  for (const auto& r : solved.table) {
    text += fmt::format(
        "{:.7f},{:.7f},{:.3f},{:.3f},{},{},{:.6g},{:.4g},{:.4g},{:.3f},{},{},{},{}\n", r.sky.ra_deg,
        r.sky.dec_deg, r.pixel.x, r.pixel.y, number(r.magnitude, 4), number(r.magnitude_error, 4),
        r.counts, r.counts_error, r.snr, r.fwhm_px, number(r.catalogue_magnitude, 4),
        number(r.colour, 4), number(r.separation_arcsec, 3), r.flags);
  }
  return text;
}

}  // namespace coldframe::session
