#include "solving_options.hpp"

namespace coldframe::cli {

void add_solving_options(CLI::App& app, SolvingTexts& texts, session::SolvingOptions& options,
                         bool catalogue_required) {
  auto* catalogue = app.add_option(
      "--catalogue", options.catalogue.path,
      "Star catalogue (CSV or FITS table) with RA, Dec and, where wanted, magnitude, colour, "
      "proper motion and epoch: gives the result its place on the sky, zero point and depth");
  if (catalogue_required) catalogue->required();
  app.add_option("--column", texts.columns,
                 "Column of the catalogue, as KEY=NAME with KEY one of ra, dec, mag, mag-error, "
                 "color, pmra, pmdec, epoch; a color may be a difference, color=g-r; repeat for "
                 "more")
      ->take_all()
      ->expected(1)
      ->allow_extra_args(false);
  app.add_option("--catalogue-epoch", options.catalogue.epoch,
                 "Year of the catalogue's positions, where no column tells")
      ->check(CLI::Range(1800.0, 2200.0));
  app.add_option("--position", texts.position,
                 "Where the image points, RA,DEC in degrees or 12:34:56,-5:06:07; default: the "
                 "header's");
  app.add_option("--search-radius", options.search_radius_deg, "How far off that may be, degrees")
      ->check(CLI::Range(0.0, 30.0))
      ->capture_default_str();
  app.add_option("--pixel-scale", options.arcsec_per_px,
                 "Scale of the image, arcsec per pixel; default: the header's")
      ->check(CLI::Range(0.001, 3600.0));
  app.add_option("--scale-tolerance", options.scale_tolerance,
                 "Share by which the scale may be off")
      ->check(CLI::Range(0.001, 0.8))
      ->capture_default_str();
  app.add_option("--distortion-order", options.highest_order,
                 "Highest order of the distortion polynomials; 1 = none")
      ->check(CLI::Range(1, 5))
      ->capture_default_str();
  app.add_option("--white-color", options.white_colour,
                 "Catalogue colour that is to look white; default: the Sun's where the colour is "
                 "known, else the stars' median");
}

void apply(const SolvingTexts& texts, session::SolvingOptions& options) {
  for (const auto& column : texts.columns) {
    session::set_catalogue_column(options.catalogue.columns, column);
  }
  if (!texts.position.empty()) options.position = session::parse_position(texts.position);
}

}  // namespace coldframe::cli
