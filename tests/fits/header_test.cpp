#include "catch.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fits/cards.hpp"
#include "fits/fixtures.hpp"

using namespace coldframe;
using namespace fixtures;
using fits::detail::format_card;
using fits::detail::parse_cards;

namespace {

Card parsed(const std::string& line) { return parse_cards(fmt::format("{:<80}", line)).cards()[0]; }

Header through_a_file(const Header& header) {
  const Folder folder;
  fits::FileWriter writer(folder / "h.fits");
  writer.add_image({.name = "", .size = {2, 2}}, header);
  writer.commit();
  return fits::read_header(folder / "h.fits", 0);
}

/// The cards a caller gave, without those the writer adds.
std::vector<Card> own_cards(const Header& header) {
  std::vector<Card> cards;
  for (const Card& c : header.cards()) {
    if (!fits::detail::is_structural(c.keyword)) cards.push_back(c);
  }
  return cards;
}

}  // namespace

TEST_CASE("cards are understood after the standard's section 4", "[fits][published]") {
  // FITS-5: value indicator, commentary keywords, strings.
  using Type = Card::Type;
  CHECK(parsed("EXPTIME =                300.5 / seconds") ==
        Card{"EXPTIME", "300.5", "seconds", Type::real});
  CHECK(parsed("GAIN    =                  100") == Card{"GAIN", "100", "", Type::integer});
  CHECK(parsed("GAIN    = -7/x") == Card{"GAIN", "-7", "x", Type::integer});
  CHECK(parsed("X       = 1.5D3") == Card{"X", "1.5D3", "", Type::real});
  CHECK(parsed("X       = .5") == Card{"X", ".5", "", Type::real});
  CHECK(parsed("X       = T / yes") == Card{"X", "T", "yes", Type::logical});
  CHECK(parsed("X       = (1.0, 2.0)") == Card{"X", "(1.0, 2.0)", "", Type::undefined});
  CHECK(parsed("X       = NaN") == Card{"X", "NaN", "", Type::undefined});
  CHECK(parsed("X       =  / nothing known") == Card{"X", "", "nothing known", Type::undefined});
  CHECK(parsed("X       =") == Card{"X", "", "", Type::undefined});
  CHECK(parsed("OBJECT  = 'O''Wren  ' / name") == Card{"OBJECT", "O'Wren", "name", Type::text});
  CHECK(parsed("OBJECT  = '  a / b'") == Card{"OBJECT", "  a / b", "", Type::text});
  CHECK(parsed("OBJECT  = ''") == Card{"OBJECT", "", "", Type::text});
  CHECK(parsed("OBJECT  = 'no end") == Card{"OBJECT", "no end", "", Type::text});
  CHECK(parsed("HISTORY = 'no value'") == Card{"HISTORY", "= 'no value'", "", Type::commentary});
  CHECK(parsed("COMMENT   two blanks before") ==
        Card{"COMMENT", "  two blanks before", "", Type::commentary});
  CHECK(parsed("        blank keyword") == Card{"", "blank keyword", "", Type::commentary});
  CHECK(parsed("NOVALUE  just text") == Card{"NOVALUE", " just text", "", Type::commentary});
  CHECK(parsed("HIERARCH ESO DET CHIP = 'x' / c") == Card{"ESO DET CHIP", "x", "c", Type::text});
  CHECK(parsed("HIERARCH no equals sign").type == Type::commentary);
  CHECK(parsed("TEMPNOTE= '\xB0"
               "C'")
            .value ==
        "\xC2\xB0"
        "C");  // Latin-1 becomes UTF-8
  CHECK(parsed("TEMPNOTE= '\xC2\xB0"
               "C'")
            .value ==
        "\xC2\xB0"
        "C");
}

TEST_CASE("long strings are joined, a lone ampersand stays", "[fits]") {
  const std::string text =
      fmt::format("{:<80}{:<80}{:<80}{:<80}", "LONG    = 'one &' / first", "CONTINUE  'two&'",
                  "CONTINUE  '' / last", "LONE    = 'R&D and so on &'");
  const Header joined = parse_cards(text);
  REQUIRE(joined.cards().size() == 2);
  CHECK(joined.cards()[0].value == "one two");
  CHECK(joined.cards()[0].comment == "first last");
  CHECK(joined.cards()[1].value == "R&D and so on &");
}

TEST_CASE("every line written has 80 printable characters", "[fits]") {
  const Card cards[] = {
      {"OBJECT", std::string(300, '\''), "quotes only", Card::Type::text},
      {"OBJECT", std::string(68, 'x'), "", Card::Type::text},
      {"OBJECT", std::string(69, 'x'), std::string(100, 'c'), Card::Type::text},
      {"OBJECT", std::string(200, '&'), "", Card::Type::text},
      {"OBJECT", "caf\xC3\xA9\n\x1b[31m", "\xE2\x82\xAC", Card::Type::text},
      {"a long key with=signs " + std::string(90, 'k'), "v", "c", Card::Type::text},
      {"HISTORY", std::string(500, 'h'), "", Card::Type::commentary},
      {"X", "12 monkeys", "", Card::Type::integer},
      {"X", std::string(90, '1'), "", Card::Type::integer}};
  for (const Card& c : cards) {
    for (const std::string& line : format_card(c)) {
      CAPTURE(line);
      CHECK(line.size() == 80);
      for (const char letter : line) CHECK((letter >= ' ' && letter <= '~'));
    }
  }
  CHECK(parse_cards(format_card(cards[4])[0]).cards()[0].value == "caf???[31m");
}

TEST_CASE("a header survives writing and reading", "[fits]") {
  Header header;
  header.set("OBJECT", "Wren's Galaxy", "what was seen");
  header.set("EXPTIME", 300.0, "s");
  header.set("SCALE", 1.0 / 3.0);
  header.set("TINY", -1.25e-300);
  header.set("COUNT", std::int64_t{-9007199254740993});
  header.set("DONE", true, "all of it");
  header.set("EMPTY", "");
  header.add({"NOTHING", "", "undefined", Card::Type::undefined});
  header.history("first step");
  header.history("  second step, indented");
  header.add({"COMMENT", "a remark / with = signs 'and quotes'", "", Card::Type::commentary});
  std::string long_text;
  for (int i = 0; i < 60; ++i) long_text += fmt::format("it's word {} & ", i);
  header.set("LONGTEXT", std::string_view(long_text + "end"), "long");
  header.set("AMP", "ends in &");
  header.set("ESO DET CHIP1 NAME", "camera of Wren", "long name");
  header.set("LONG HIERARCH TEXT", std::string_view(long_text + "end"));
  header.add({"EXPTIME", "299", "a second card of the name", Card::Type::integer});
  const auto back = own_cards(through_a_file(header));
  const auto given = header.cards();
  REQUIRE(back.size() == given.size());
  for (std::size_t i = 0; i < back.size(); ++i) {
    CAPTURE(i, given[i].keyword, given[i].value, back[i].value);
    CHECK(back[i] == given[i]);
  }
  CHECK(own_cards(through_a_file(through_a_file(header))) == back);
}

TEST_CASE("layout cards of a given header do not reach the file", "[fits]") {
  Header header;
  for (const char* keyword :
       {"SIMPLE", "BITPIX",  "NAXIS",  "NAXIS1", "NAXIS7",   "EXTEND",  "PCOUNT",
        "GCOUNT", "BZERO",   "BSCALE", "BLANK",  "CHECKSUM", "DATASUM", "TFIELDS",
        "TTYPE3", "TFORM12", "ZIMAGE", "ZTILE1", "ZCMPTYPE", "XTENSION"}) {
    header.set(keyword, 99);
  }
  header.set("NAXISX", 5);  // merely alike
  header.set("TTYPE", "kept");
  header.set("ZVALUE", 3);
  const Header back = through_a_file(header);
  CHECK(back.integer("BITPIX") == -32);
  CHECK(back.integer("NAXIS") == 2);
  CHECK(back.integer("NAXIS1") == 2);
  for (const char* keyword : {"NAXIS7", "BZERO", "BSCALE", "BLANK", "TFIELDS", "TTYPE3", "TFORM12",
                              "ZIMAGE", "ZTILE1", "ZCMPTYPE", "XTENSION", "PCOUNT"}) {
    CAPTURE(keyword);
    CHECK(back.find(keyword) == nullptr);
  }
  CHECK(back.integer("NAXISX") == 5);
  CHECK(back.text("TTYPE") == "kept");
  CHECK(back.integer("ZVALUE") == 3);
}
