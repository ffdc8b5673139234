// Catalogues as people have them: names, separators, units, gaps.
#include "coldframe/session/catalogue_file.hpp"

#include <cmath>
#include <cstdlib>
#include <filesystem>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/sky/sphere.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

Catalogue parse(const std::string& text, const CatalogueSource& source = {},
                std::optional<double> year = std::nullopt) {
  return parse_catalogue(text, source, year);
}

}  // namespace

TEST_CASE("names of common tables are understood") {
  const auto plain = parse("ra,dec,mag\n10.5,-20.25,12.5\n11,21,13\n");
  REQUIRE(plain.stars.size() == 2);
  CHECK(plain.stars[0].position.ra_deg == 10.5);
  CHECK(plain.stars[0].position.dec_deg == -20.25);
  CHECK(plain.stars[0].magnitude == 12.5);
  CHECK(std::isnan(plain.stars[0].colour));
  const auto survey = parse(
      "source_id,ra,dec,parallax,pmra,pmdec,phot_g_mean_mag,bp_rp\n"
      "1994803195634774144,359.45,56.38,0.28,-3.8,-1.9,19.9,1.76\n");
  CHECK(survey.magnitude_name == "phot_g_mean_mag");
  CHECK(survey.stars[0].colour == 1.76);
  const auto viz = parse(
      "#comment\n_RAJ2000|_DEJ2000|Vmag|B-V\ndeg|deg|mag|mag\n-----|-----|----|----\n"
      "012.5| +34.25| 9.1|0.6\n");
  REQUIRE(viz.stars.size() == 1);
  CHECK(viz.stars[0].position.dec_deg == 34.25);
  CHECK(viz.stars[0].magnitude == 9.1);
  CHECK(viz.stars[0].colour == 0.6);
  CHECK(viz.colour_name == "B-V");
}

TEST_CASE("sexagesimal positions count RA in hours") {
  const auto c = parse("RA;DEC\n12:30:00;-5:30:36\n00 00 04.0;-00 00 30\n");
  REQUIRE(c.stars.size() == 2);
  CHECK(c.stars[0].position.ra_deg == Approx(187.5));
  CHECK(c.stars[0].position.dec_deg == Approx(-5.51));
  CHECK(c.stars[1].position.ra_deg == Approx(1.0 / 60.0));
  CHECK(c.stars[1].position.dec_deg == Approx(-30.0 / 3600.0));
}

TEST_CASE("gaps and numbers that stand for gaps") {
  const auto c =
      parse("ra,dec,mag,color\n1,2,99.999,0.5\n3,4,-9999,\n5,,10,1\n7,8,,nan\n9,95,1,1\n");
  REQUIRE(c.stars.size() == 3);
  for (const auto& star : c.stars) CHECK(std::isnan(star.magnitude));
  CHECK(c.stars[0].colour == 0.5);
  CHECK(std::isnan(c.stars[1].colour));
  CHECK(c.rows_left_out == 2);
}

TEST_CASE("columns by option, colours as differences") {
  CatalogueSource source;
  set_catalogue_column(source.columns, "mag=r");
  set_catalogue_column(source.columns, "color=g-r");
  const auto c = parse("id,ra,dec,g,r\n7,1,2,15.5,15.0\n", source);
  CHECK(c.stars[0].magnitude == 15.0);
  CHECK(c.stars[0].colour == Approx(0.5));
  CHECK_THROWS_AS(set_catalogue_column(source.columns, "size=3"), Error);
  CHECK_THROWS_AS(set_catalogue_column(source.columns, "mag"), Error);
  set_catalogue_column(source.columns, "mag=z");
  CHECK_THROWS_AS(parse("id,ra,dec,g,r\n7,1,2,15.5,15.0\n", source), Error);
}

TEST_CASE("proper motions move stars from the catalogue's epoch to the image's") {
  const std::string text = "ra,dec,pmra,pmdec,ref_epoch\n100,60,1000,-500,2016\n";
  const auto moved = parse(text, {}, 2031.2);
  // 15.2 years: 15.2 arcsec along the parallel, -7.6 arcsec in Dec.
  const SkyPoint start{100.0, 60.0};
  CHECK(moved.moved);
  CHECK(sky::separation_deg(start, moved.stars[0].position) * 3600.0 ==
        Approx(15.2 * std::hypot(1.0, 0.5)).epsilon(1e-4));
  CHECK((moved.stars[0].position.dec_deg - 60.0) * 3600.0 == Approx(-7.6).epsilon(1e-3));
  const auto unknown = parse("ra,dec,pmra,pmdec\n100,60,1000,-500\n", {}, 2031.2);
  CHECK(unknown.stars[0].position.ra_deg == 100.0);
  CHECK(unknown.note);
  CatalogueSource dated;
  dated.epoch = 2016.0;
  const auto given = parse("ra,dec,pmra,pmdec\n100,60,1000,-500\n", dated, 2031.2);
  CHECK(given.stars[0].position.ra_deg == Approx(moved.stars[0].position.ra_deg).epsilon(1e-12));
}

TEST_CASE("what is no catalogue is refused with a mend") {
  for (const char* text : {"", "#only\n", "1,2,3\n4,5,6\n", "name,size\nx,1\n", "ra,dec\n"}) {
    CAPTURE(text);
    CHECK_THROWS_AS(parse(text), Error);
  }
}

TEST_CASE("FITS tables, hours by unit") {
  const auto path = std::filesystem::temp_directory_path() / "coldframe-catalogue-test.fits";
  {
    fits::FileWriter writer(path);
    fits::Table table;
    table.name = "STARS";
    table.columns = {{"RAJ2000", "h", std::vector<double>{1.0, 2.0}},
                     {"DEJ2000", "deg", std::vector<double>{10.0, -20.0}},
                     {"Gmag", "mag", std::vector<float>{12.0F, 13.0F}}};
    writer.add_table(table);
    writer.commit();
  }
  CatalogueSource source;
  source.path = path;
  const auto c = read_catalogue(source, std::nullopt);
  std::filesystem::remove(path);
  REQUIRE(c.stars.size() == 2);
  CHECK(c.stars[1].position.ra_deg == Approx(30.0));
  CHECK(c.stars[1].position.dec_deg == -20.0);
  CHECK(c.stars[0].magnitude == 12.0);
}

TEST_CASE("an excerpt of a real catalogue") {
  CatalogueSource source;
  source.path = std::filesystem::path(COLDFRAME_TESTDATA) / "catalogues" / "m67-excerpt.csv";
  set_catalogue_column(source.columns, "mag=r");
  set_catalogue_column(source.columns, "color=g-r");
  const auto c = read_catalogue(source, std::nullopt);
  CHECK(c.stars.size() == 120);
  CHECK(c.rows_left_out == 0);
  const auto cap = sky::surrounding_cap(c.stars);
  // M67: 8h51m18s +11d48m (J2000); the excerpt covers RA 132.60 to 133.11, Dec 11.61 to 12.01.
  CHECK(sky::separation_deg(cap.centre, {132.825, 11.80}) < 0.1);
  CHECK(cap.radius_deg < 0.35);
  for (const auto& star : c.stars) {
    CHECK(star.magnitude > 14.0);
    CHECK(star.magnitude < 15.6);
  }
}
