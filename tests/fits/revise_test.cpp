// A revised copy differs from its source in the cards and tables asked for, and in nothing else.
#include "coldframe/fits/revise.hpp"

#include <cmath>

#include <fmt/format.h>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fixtures.hpp"

using namespace coldframe;
namespace fs = std::filesystem;

namespace {

void write_source(const fs::path& path) {
  fits::FileWriter writer(path);
  Header header;
  header.set("OBJECT", "Wren Galaxy");
  header.set("CDELT1", 0.1);
  header.set("NOTE", std::string(150, 'n'));  // two CONTINUE lines
  header.history("first light");
  Grid<float> pixels(7, 5);
  for (int y = 0; y < 5; ++y) {
    for (int x = 0; x < 7; ++x) pixels(x, y) = static_cast<float>(x + 10 * y);
  }
  pixels(3, 3) = std::nanf("");
  const int hdu = writer.add_image({"", {7, 5}, 1, fits::SampleType::float32}, header);
  writer.write_rows(hdu, 0, 0, pixels.cview());
  fits::Table table;
  table.name = "STARS";
  table.columns = {{"X", "pix", std::vector<double>{1.0, 2.0}}};
  writer.add_table(table);
  writer.add_image({"UNCERT", {7, 5}, 1, fits::SampleType::float32}, {});
  writer.commit();
}

std::string content(const fs::path& path) {
  std::ifstream file(path, std::ios::binary);
  std::ostringstream text;
  text << file.rdbuf();
  return text.str();
}

}  // namespace

TEST_CASE("cards are replaced and tables appended, the rest stays byte for byte", "[fits]") {
  const fixtures::Folder folder;
  const auto from = folder / "in.fits";
  const auto to = folder / "out.fits";
  write_source(from);
  fits::Revision revision;
  revision.remove = [](std::string_view k) { return k.starts_with("CDELT") || k == "NAXIS"; };
  revision.cards.set("OBJECT", "Wren");
  revision.cards.set("CRVAL1", 150.25);
  revision.cards.history("revised");
  fits::Table table;
  table.name = "STARS";
  table.columns = {{"Y", "pix", std::vector<double>{3.0}}};
  revision.tables.push_back(table);
  fits::write_revised(from, to, revision);
  const auto before = fits::list_hdus(from);
  const auto after = fits::list_hdus(to);
  REQUIRE(after.size() == 3);
  CHECK(after[0].axes == before[0].axes);
  CHECK(after[1].name == "UNCERT");  // the old table of that name went
  CHECK(after[2].name == "STARS");
  const auto header = fits::read_header(to, 0);
  CHECK(header.text("OBJECT") == "Wren");
  CHECK(header.real("CRVAL1") == 150.25);
  CHECK(header.find("CDELT1") == nullptr);
  CHECK(header.text("NOTE") == std::string(150, 'n'));
  int histories = 0;
  for (const auto& card : header.cards()) histories += card.keyword == "HISTORY";
  CHECK(histories == 2);
  for (const auto& report : fits::verify_checksums(to)) {
    CHECK(report.data == fits::ChecksumReport::Verdict::correct);
    CHECK(report.whole == fits::ChecksumReport::Verdict::correct);
  }
  // The pixels' bytes, padding included.
  CHECK(content(to).substr(2880, 2880) == content(from).substr(2880, 2880));
  CHECK(fits::read_table(to, "STARS").find("Y") != nullptr);
}

TEST_CASE("a file is not revised onto itself, and no image is a fault", "[fits]") {
  const fixtures::Folder folder;
  const auto from = folder / "in.fits";
  write_source(from);
  const auto bytes = content(from);
  CHECK_THROWS_AS(fits::write_revised(from, from, {}), Error);
  CHECK(content(from) == bytes);
  const auto table_only = folder / "table.fits";
  {
    fits::FileWriter writer(table_only);
    fits::Table table;
    table.name = "T";
    table.columns = {{"X", "", std::vector<double>{1.0}}};
    writer.add_table(table);
    writer.commit();
  }
  CHECK_THROWS_AS(fits::write_revised(table_only, folder / "o.fits", {}), Error);
  CHECK_FALSE(fs::exists(folder / "o.fits"));
}

TEST_CASE("spare cards leave room for late ones and stay valid FITS", "[fits]") {
  const fixtures::Folder folder;
  const auto path = folder / "spare.fits";
  fits::FileWriter writer(path);
  fits::ImageSpec spec{"", {3, 2}, 1, fits::SampleType::float32};
  spec.spare_cards = 80;
  const int hdu = writer.add_image(spec, {});
  const Grid<float> pixels(3, 2);
  writer.write_rows(hdu, 0, 0, pixels.cview());
  for (int i = 0; i < 60; ++i) {
    writer.set_card(hdu, {fmt::format("K{}", i), std::to_string(i), "", Card::Type::integer});
  }
  writer.commit();
  const auto header = fits::read_header(path, 0);
  CHECK(header.integer("K59") == 59);
  for (const auto& report : fits::verify_checksums(path)) {
    CHECK(report.whole == fits::ChecksumReport::Verdict::correct);
  }
  CHECK(fs::file_size(path) % 2880 == 0);
}
