#include <fitsio.h>

#include <cmath>
#include <limits>

#include "catch.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fits/fixtures.hpp"

using namespace coldframe;
using namespace fixtures;
using fits::Table;

namespace {

template <typename T>
const std::vector<T>& values(const Table& table, const char* name) {
  const auto* column = table.find(name);
  REQUIRE(column != nullptr);
  REQUIRE(std::holds_alternative<std::vector<T>>(column->data));
  return std::get<std::vector<T>>(column->data);
}

}  // namespace

TEST_CASE("a table comes back with its types, units and cards", "[fits]") {
  constexpr auto big = std::numeric_limits<std::int64_t>::max();
  Table table;
  table.name = "STARS";
  table.header.set("NOTE", "made up");
  table.header.history("counted twice");
  table.columns = {{"x", "pix", std::vector<double>{0.1, -1e-300, std::nan("")}},
                   {"flux", "electron/s", std::vector<float>{1.5F, -2.0F, 3e38F}},
                   {"n", "", std::vector<std::int32_t>{0, -2147483647 - 1, 2147483647}},
                   {"big", "ns", std::vector<std::int64_t>{big, -big, 0}},
                   {"bits", "", std::vector<std::uint8_t>{0, 7, 255}},
                   {"name", "", std::vector<std::string>{"", "caf\xC3\xA9 'x'", "plain"}}};
  const Folder folder;
  fits::FileWriter writer(folder / "t.fits");
  CHECK(writer.add_table(table) == 1);  // an empty primary goes before
  writer.commit();
  const Table back = fits::read_table(folder / "t.fits", "stars");
  CHECK(back.name == "STARS");
  CHECK(back.rows() == 3);
  REQUIRE(back.columns.size() == table.columns.size());
  for (std::size_t i = 0; i < table.columns.size(); ++i) {
    CHECK(back.columns[i].name == table.columns[i].name);
    CHECK(back.columns[i].unit == table.columns[i].unit);
  }
  CHECK(back.header.text("NOTE") == "made up");
  CHECK(values<double>(back, "x")[1] == -1e-300);
  CHECK(std::isnan(values<double>(back, "x")[2]));
  CHECK(values<float>(back, "flux") == values<float>(table, "flux"));
  CHECK(values<std::int32_t>(back, "n") == values<std::int32_t>(table, "n"));
  CHECK(values<std::int64_t>(back, "big") == values<std::int64_t>(table, "big"));
  CHECK(values<std::uint8_t>(back, "bits") == values<std::uint8_t>(table, "bits"));
  CHECK(values<std::string>(back, "name") == std::vector<std::string>{"", "caf? 'x'", "plain"});
  CHECK(error_of([&] { (void)fits::read_table(folder / "t.fits", "SUBS"); }).fault() ==
        "it has no table named SUBS");
}

TEST_CASE("empty tables and many rows", "[fits]") {
  const Folder folder;
  Table none;
  none.name = "NONE";
  none.columns = {{"x", "pix", std::vector<double>{}}, {"s", "", std::vector<std::string>{}}};
  Table many;
  many.name = "MANY";
  std::vector<double> x;
  std::vector<std::string> s;
  for (int i = 0; i < 50000; ++i) {
    x.push_back(i * 0.1);
    s.push_back(fmt::format("row {}", i));
  }
  many.columns = {{"x", "", x}, {"s", "", s}};
  fits::FileWriter writer(folder / "t.fits");
  writer.add_table(none);
  writer.add_table(many);
  writer.add_table({.name = "BARE", .header = {}, .columns = {}});
  writer.commit();
  CHECK(fits::read_table(folder / "t.fits", "NONE").rows() == 0);
  CHECK(fits::read_table(folder / "t.fits", "NONE").columns.size() == 2);
  const Table back = fits::read_table(folder / "t.fits", "MANY");
  CHECK(values<double>(back, "x") == x);
  CHECK(values<std::string>(back, "s") == s);
  CHECK(fits::read_table(folder / "t.fits", "BARE").columns.empty());
  put_file(folder / "t.gz", gzipped(get_file(folder / "t.fits")));
  CHECK(values<double>(fits::read_table(folder / "t.gz", "MANY"), "x") == x);
}

TEST_CASE("columns of unequal length or one name are the caller's fault", "[fits]") {
  const Folder folder;
  fits::FileWriter writer(folder / "t.fits");
  Table table;
  table.columns = {{"a", "", std::vector<double>{1}}, {"b", "", std::vector<double>{1, 2}}};
  CHECK(error_of([&] { writer.add_table(table); }).kind() == ErrorKind::usage);
  table.columns = {{"a", "", std::vector<double>{1}}, {"A", "", std::vector<double>{1}}};
  CHECK(error_of([&] { writer.add_table(table); }).kind() == ErrorKind::usage);
}

TEST_CASE("columns of other writers are widened to a type that holds them", "[fits][published]") {
  // Type letters of FITS 4.0, table 18 (FITS-6); written by CFITSIO.
  const Folder folder;
  int status = 0;
  fitsfile* file = nullptr;
  fits_create_diskfile(&file, (folder / "c.fits").c_str(), &status);
  const char* names[] = {"L", "B", "S",     "I", "U", "J", "V", "K", "E",
                         "D", "A", "ARRAY", "X", "C", "P", "N", "SC"};
  const char* forms[] = {"1L", "1B", "1S", "1I", "1U", "1J",  "1V", "1K", "1E",
                         "1D", "6A", "3J", "8X", "1C", "1PJ", "1J", "1I"};
  std::array<char*, 17> type{};
  std::array<char*, 17> form{};
  for (std::size_t i = 0; i < type.size(); ++i) {
    type[i] = const_cast<char*>(names[i]);
    form[i] = const_cast<char*>(forms[i]);
  }
  fits_create_tbl(file, BINARY_TBL, 2, 17, type.data(), form.data(), nullptr, "OTHER", &status);
  double numbers[] = {1, 0};
  for (const int column : {2, 4, 6, 8, 9, 10, 16, 17}) {
    fits_write_col(file, TDOUBLE, column, 1, 1, 2, numbers, &status);
  }
  char flags[] = {1, 0};
  fits_write_col(file, TLOGICAL, 1, 1, 1, 2, flags, &status);
  int small[] = {-5, 100};
  fits_write_col(file, TINT, 3, 1, 1, 2, small, &status);
  int words[] = {40000, 65535};
  fits_write_col(file, TINT, 5, 1, 1, 2, words, &status);
  LONGLONG wide[] = {4000000000LL, 1};
  fits_write_col(file, TLONGLONG, 7, 1, 1, 2, wide, &status);
  char first[] = "wren";
  char second[] = "a b   ";
  char* texts[] = {first, second};
  fits_write_col(file, TSTRING, 11, 1, 1, 2, texts, &status);
  int nothing = 0;
  fits_update_key(file, TINT, "TNULL16", &nothing, nullptr, &status);
  double scale = 0.5;
  fits_update_key(file, TDOUBLE, "TSCAL17", &scale, nullptr, &status);
  fits_close_file(file, &status);
  REQUIRE(status == 0);

  const Table table = fits::read_table(folder / "c.fits", "OTHER");
  CHECK(values<std::uint8_t>(table, "L") == std::vector<std::uint8_t>{1, 0});
  CHECK(values<std::uint8_t>(table, "B") == std::vector<std::uint8_t>{1, 0});
  CHECK(values<std::int32_t>(table, "S") == std::vector<std::int32_t>{-5, 100});
  CHECK(values<std::int32_t>(table, "I") == std::vector<std::int32_t>{1, 0});
  CHECK(values<std::int32_t>(table, "U") == std::vector<std::int32_t>{40000, 65535});
  CHECK(values<std::int32_t>(table, "J") == std::vector<std::int32_t>{1, 0});
  CHECK(values<std::int64_t>(table, "V") == std::vector<std::int64_t>{4000000000LL, 1});
  CHECK(values<std::int64_t>(table, "K") == std::vector<std::int64_t>{1, 0});
  CHECK(values<float>(table, "E") == std::vector<float>{1, 0});
  CHECK(values<double>(table, "D") == std::vector<double>{1, 0});
  CHECK(values<std::string>(table, "A") == std::vector<std::string>{"wren", "a b"});
  CHECK(values<double>(table, "N")[0] == 1.0);
  CHECK(std::isnan(values<double>(table, "N")[1]));
  CHECK(values<float>(table, "SC")[0] == 0.5F);  // 1 stored, times TSCAL
  for (const char* left_out : {"ARRAY", "X", "C", "P"}) CHECK(table.find(left_out) == nullptr);
}

TEST_CASE("ASCII tables are tables too", "[fits]") {
  const std::string table = header(
      {"XTENSION= 'TABLE   '", card("BITPIX", 8), card("NAXIS", 2), card("NAXIS1", 20),
       card("NAXIS2", 2), card("PCOUNT", 0), card("GCOUNT", 1), card("TFIELDS", 2),
       "TTYPE1  = 'ra      '", "TFORM1  = 'F10.4   '", card("TBCOL1", 1), "TUNIT1  = 'deg     '",
       "TTYPE2  = 'name    '", "TFORM2  = 'A10     '", card("TBCOL2", 11)});
  const Folder folder;
  put_file(folder / "a.fits", header({card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0)}) +
                                  table + padded("  250.4235wren         -0.5000robin     ", ' '));
  const Table back = fits::read_table(folder / "a.fits", "");
  CHECK(values<double>(back, "ra") == std::vector<double>{250.4235, -0.5});
  CHECK(back.find("ra")->unit == "deg");
  CHECK(values<std::string>(back, "name") == std::vector<std::string>{"wren", "robin"});
}

TEST_CASE("tables that make no sense are refused", "[fits]") {
  const Folder folder;
  const auto fault = [&](long long width, long long rows, long long fields, const char* form) {
    put_file(folder / "b.fits",
             header({card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0)}) +
                 header({"XTENSION= 'BINTABLE'", card("BITPIX", 8), card("NAXIS", 2),
                         card("NAXIS1", width), card("NAXIS2", rows), card("PCOUNT", 0),
                         card("GCOUNT", 1), card("TFIELDS", fields), "TTYPE1  = 'a       '",
                         fmt::format("TFORM1  = '{}'", form)}) +
                 std::string(2880, '\0'));
    const auto error = error_of([&] { (void)fits::read_table(folder / "b.fits", ""); });
    CHECK(error.kind() == ErrorKind::input);
    return error.fault();
  };
  CHECK(fault(8, 1000, 1, "1D").starts_with("file is shorter than its header says"));
  CHECK(fault(0, 1000000000000LL, 1, "1D") == "the layout of its table makes no sense");
  CHECK(fault(8, 10, 5000, "1D") == "TFIELDS in its header is out of range");
  CHECK(fault(8, 10, 1, "1D\x01") == "TFORM1 in its header makes no sense");
  CHECK(fault(4, 10, 1, "1D").find("cannot be read") != std::string::npos);
}
