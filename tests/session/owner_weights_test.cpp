// The owner's table of weights.
#include "coldframe/session/owner_weights.hpp"
#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/stack/weights.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

std::string fault_of(const std::string& text) {
  try {
    (void)parse_owner_weights(text, "weights.csv");
  } catch (const Error& error) {
    CHECK(error.kind() == ErrorKind::usage);
    return error.what();
  }
  return {};
}

}  // namespace

TEST_CASE("A table of weights is read as written", "[session]") {
  const auto table = parse_owner_weights(
      "path,weight\r\n# second night\nlights/a.fits, 2.5\n\"lights/b, late.fits\",0\n\nc.fits,1e-1",
      "weights.csv");
  REQUIRE(table.size() == 3);
  CHECK(owner_weight(table, "lights/a.fits") == 2.5);
  CHECK(owner_weight(table, "lights/b, late.fits") == 0.0);
  CHECK(owner_weight(table, "elsewhere/c.fits") == 0.1);  // by its file name
  CHECK(owner_weight(table, "elsewhere/a.fits") < 0.0);   // a path names one file
}

TEST_CASE("Faults of a table of weights are told with their line", "[session]") {
  CHECK(fault_of("a.fits,1\nb.fits\n").find("line 2") != std::string::npos);
  CHECK(fault_of("a.fits,one\n").find("'one'") != std::string::npos);
  CHECK(fault_of("a.fits,nan\n").find("line 1") != std::string::npos);
  CHECK(fault_of("a.fits,-1\n").find("negative") != std::string::npos);
  CHECK(fault_of("a.fits,1\n#\na.fits,2\n").find("line 3") != std::string::npos);
  CHECK(fault_of(",1\n").find("line 1") != std::string::npos);
  CHECK_FALSE(fault_of("a.fits,0\n").empty());
  CHECK_FALSE(fault_of("").empty());
}

TEST_CASE("Every light needs a weight, every line a light", "[session]") {
  const auto table = parse_owner_weights("l/a.fits,1\nb.fits,2\n", "weights.csv");
  const std::vector<std::string> both{"l/a.fits", "l/b.fits"};
  CHECK_NOTHROW(check_owner_weights(table, both));
  const std::vector<std::string> more{"l/a.fits", "l/b.fits", "l/c.fits"};
  CHECK_THROWS_AS(check_owner_weights(table, more), Error);
  const auto some = parse_owner_weights("l/a.fits,0\nb.fits,2\n", "weights.csv");
  CHECK(weightless_subs(some, both) == std::vector<std::string>{"l/a.fits"});
  const std::vector<std::string> fewer{"l/a.fits"};
  CHECK_THROWS_AS(check_owner_weights(table, fewer), Error);
}

TEST_CASE("The owner's weights are taken as they are", "[session]") {
  std::vector<stack::SubNoise> subs(3);
  subs[0] = {10.0, 1.0, 3.0, 1.0};
  subs[1] = {20.0, 2.0, 4.0, 3.0};
  subs[2] = {5.0, 1.0, 2.0, 0.0};
  const auto weights = stack::sub_weights(subs, stack::Weighting::owner);
  CHECK(weights[0] == Approx(0.25));
  CHECK(weights[1] == Approx(0.75));
  CHECK(weights[2] == 0.0);
}
