// The owner's lists of subs.
#include "session/owner_lists.hpp"

#include "catch.hpp"

using namespace coldframe;
using namespace coldframe::session;

namespace {

Inventory stock_of(std::initializer_list<const char*> names) {
  Inventory stock;
  for (const char* name : names) {
    FrameEntry entry;
    entry.name = name;
    entry.path = std::filesystem::path("night") / name;
    stock.frames.push_back(std::move(entry));
  }
  return stock;
}

}  // namespace

TEST_CASE("a list names a sub by name, path or file name", "[owner]") {
  CHECK(listed({"lights/a.fits"}, "lights/a.fits", "night/lights/a.fits"));
  CHECK(listed({"a.fits"}, "lights/a.fits", "night/lights/a.fits"));
  CHECK(listed({"night/lights/a.fits"}, "lights/a.fits", "night/lights/a.fits"));
  CHECK_FALSE(listed({"b.fits"}, "lights/a.fits", "night/lights/a.fits"));
  CHECK_FALSE(listed({}, "lights/a.fits", "night/lights/a.fits"));
}

TEST_CASE("names that no frame bears are told once, together", "[owner]") {
  auto stock = stock_of({"lights/a.fits", "lights/b.fits"});
  KeepLimits limits;
  limits.drop = {"a.fits", "lights/c.fits"};
  limits.keep_only = {"lights/b.fits", "B.fits"};
  warn_of_unknown_names(stock, limits);
  REQUIRE(stock.warnings.size() == 1);
  CHECK(stock.warnings.front().code == "unknown-name");
  CHECK(stock.warnings.front().files == std::vector<std::string>{"B.fits", "lights/c.fits"});
  auto clean = stock_of({"lights/a.fits"});
  limits = {};
  limits.drop = {"a.fits"};
  warn_of_unknown_names(clean, limits);
  CHECK(clean.warnings.empty());
}
