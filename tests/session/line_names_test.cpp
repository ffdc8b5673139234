#include "session/line_names.hpp"
#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/session/options.hpp"

using namespace coldframe::session;
using Kind = FilterLines::Kind;

TEST_CASE("filter names tell their lines", "[lines]") {
  const auto two = [](const char* filter, const char* red, const char* blue) {
    const auto sense = lines_of_filter(filter);
    INFO(filter);
    CHECK(sense.kind == Kind::two);
    CHECK(sense.lines[0] == red);
    CHECK(sense.lines[1] == blue);
  };
  two("Ha+OIII", "Ha", "OIII");
  two("OIII/H-alpha", "Ha", "OIII");
  two("HaO3 7nm", "Ha", "OIII");
  two("[S II] [O III]", "SII", "OIII");
  two("Dual band", "Ha", "OIII");
  two("duo-narrowband 3nm", "Ha", "OIII");
  two("S2O3", "SII", "OIII");
  for (const char* other :
       {"L", "red", "Clear", "Ha", "OIII 3nm", "Ha SII", "Ha Hb OIII", "UV/IR"}) {
    INFO(other);
    CHECK(lines_of_filter(other).kind == Kind::other);
  }
  for (const char* unknown : {"", "colour", "Slot 4", "hazy", "duplex", "no filter"}) {
    INFO(unknown);
    CHECK(lines_of_filter(unknown).kind == Kind::unknown);
  }
}

TEST_CASE("lines and crosstalk are read or refused", "[lines]") {
  CHECK(line_options("auto", "").choice == LineOptions::Choice::automatic);
  CHECK(line_options("none", "").choice == LineOptions::Choice::off);
  const auto named = line_options("oiii, h-alpha", "");
  CHECK(named.choice == LineOptions::Choice::named);
  CHECK(named.names[0] == "Ha");  // the usual crosstalk has the red line first
  const auto owner = line_options("OIII,Ha", "0.06, 1, 1, 0.12, 0.6, 0.05");
  CHECK(owner.names[0] == "OIII");
  REQUIRE(owner.crosstalk);
  CHECK(owner.crosstalk->response[1][1] == 0.12);
  for (const char* wrong : {"Ha", "Ha,Ha", "Ha,OIII,SII", "Ha,red", ""}) {
    CHECK_THROWS_AS(line_options(wrong, ""), coldframe::Error);
  }
  for (const char* wrong : {"1,2,3", "1,2,3,4,5,x", "1,,3,4,5,6", "1 2,3,4,5,6"}) {
    CHECK_THROWS_AS(line_options("auto", wrong), coldframe::Error);
  }
}
