// Transforms as JSON: what is written is read, what is broken is named.
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "catch.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "session/transforms_file.hpp"

using namespace coldframe;
using namespace coldframe::session;
namespace fs = std::filesystem;

namespace {

struct Folder {
  fs::path path = fs::temp_directory_path() / "coldframe-transforms-test";
  Folder() {
    fs::remove_all(path);
    fs::create_directories(path);
  }
  ~Folder() { fs::remove_all(path); }
  [[nodiscard]] fs::path with(const std::string& text) const {
    std::ofstream(path / "t.json") << text;
    return path / "t.json";
  }
};

RegisteredFile matched(const std::string& file, Transform transform) {
  RegisteredFile row;
  row.file = file;
  row.match.status = align::MatchStatus::matched;
  row.match.transform = std::move(transform);
  return row;
}

RegisterOutcome example() {
  RegisterOutcome outcome;
  outcome.reference = "a/one.fits";
  outcome.canvas = {640, 480};
  Transform tilted = Transform::affine(1.0 / 3.0, -0.2, 30, 0.19, 0.98, -7);
  tilted.model = TransformModel::homography;
  tilted.matrix[6] = 2e-5;
  Transform bent = Transform::affine(1, 0, 0.1, 0, 1, 0.2);
  bent.model = TransformModel::polynomial;
  bent.polynomial =
      Polynomial2{2, {320, 240}, 400, {320, 400, 0.1, 1, -2, 1e-7}, {240, 0, 400, 3, 0, -1}};
  outcome.files = {matched("a/one.fits", Transform{}), matched("a/two.fits", tilted),
                   matched("b/two.fits", bent)};
  outcome.files.push_back({});
  outcome.files.back().file = "a/cloud.fits";
  outcome.files.back().fault = "no consensus";
  return outcome;
}

}  // namespace

TEST_CASE("transforms survive their file bit by bit", "[transforms]") {
  const Folder folder;
  const auto written = example();
  write_transforms(written, folder.path / "t.json");
  const auto read = read_transforms(folder.path / "t.json");
  CHECK(read.reference == written.reference);
  CHECK(read.canvas == written.canvas);
  REQUIRE(read.files.size() == 4);
  for (std::size_t i = 0; i < 3; ++i) {
    const auto &a = written.files[i].match.transform, &b = read.files[i].match.transform;
    CHECK(a.model == b.model);
    CHECK(a.matrix == b.matrix);
    REQUIRE(a.polynomial.has_value() == b.polynomial.has_value());
    if (!a.polynomial) continue;
    CHECK(a.polynomial->x == b.polynomial->x);
    CHECK(a.polynomial->y == b.polynomial->y);
    CHECK(a.polynomial->scale == b.polynomial->scale);
  }
  CHECK(read.files[3].fault == "no consensus");
  CHECK(read.files[3].match.status != align::MatchStatus::matched);
}

TEST_CASE("files are found by the ends of their paths, and only where one fits", "[transforms]") {
  const auto known = example();
  const auto rows = [&](std::vector<fs::path> files) {
    std::vector<std::ptrdiff_t> found;
    for (const auto* row : rows_of_files(known, files)) {
      found.push_back(row == nullptr ? -1 : row - known.files.data());
    }
    return found;
  };
  using List = std::vector<std::ptrdiff_t>;
  CHECK(rows({"b/two.fits", "a/three.fits"}) == List{2, -1});
  CHECK(rows({"elsewhere/one.fits", "elsewhere/two.fits"}) == List{0, -1});
  // A folder that has moved, seen from another place.
  CHECK(rows({"/moved/a/two.fits", "/moved/b/two.fits", "./x/../a/one.fits"}) == List{1, 2, 0});
  // One row cannot stand for two files of its name; the nearer of two has it.
  CHECK(rows({"c/one.fits", "d/one.fits"}) == List{-1, -1});
  CHECK(rows({"c/one.fits", "d/a/one.fits"}) == List{-1, 0});
  CHECK(rows({"a/one.fits", "d/a/one.fits"}) == List{0, -1});
}

TEST_CASE("broken transforms are refused with a reason", "[transforms]") {
  const Folder folder;
  const auto whole = transforms_json(example());
  const auto spoiled = [&](const std::string& what, const std::string& with) {
    auto text = whole;
    const auto at = text.find(what);
    REQUIRE(at != std::string::npos);
    text.replace(at, what.size(), with);
    return folder.with(text);
  };
  const auto refused = [](const fs::path& path) {
    try {
      static_cast<void>(read_transforms(path));
    } catch (const Error& error) {
      CHECK(error.path() == path.string());
      return error.kind() == ErrorKind::usage;
    }
    return false;
  };
  CHECK(refused(folder.with("{")));
  CHECK(refused(folder.with("[]")));
  CHECK(refused(spoiled("\"homography\"", "\"spline\"")));
  CHECK(refused(spoiled("\"polynomial\",", "\"affine\",")));
  CHECK(refused(spoiled("sub->reference", "reference->sub")));
  CHECK(refused(spoiled("\"order\": 2", "\"order\": 3")));
  CHECK(refused(spoiled("\"width\": 640", "\"width\": 0")));
  CHECK(refused(spoiled("\"scale\": 400.0", "\"scale\": 0.0")));
  CHECK(refused(spoiled("\"width\": 640", "\"width\": 1e300")));
  CHECK(refused(spoiled("\"height\": 480", "\"height\": \"480\"")));
}
