#include <fitsio.h>
#include <sys/resource.h>

#include <cmath>
#include <csignal>
#include <cstdlib>
#include <limits>

#include "catch.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fits/fixtures.hpp"

using namespace coldframe;
using namespace fixtures;
using fits::FileWriter;
using fits::SampleType;
using fits::Table;
using Verdict = fits::ChecksumReport::Verdict;

namespace {

/// Value of the sample files: the Python cross-check has the same formula.
float sample(int x, int y, int plane) {
  return static_cast<float>(x) * 0.5F - static_cast<float>(y) * 3.25F +
         static_cast<float>(plane) * 1000.0F;
}

Grid<float> sample_plane(Size size, int plane) {
  Grid<float> pixels(size);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) pixels(x, y) = sample(x, y, plane);
  }
  return pixels;
}

/// A file with three planes, a mask, an unsigned unit and a table, written in
/// strips of `strip` rows that jump between the units, last strip first.
void write_sample(const fs::path& path, int strip) {
  constexpr Size size{53, 41};
  FileWriter writer(path);
  Header header;
  header.set("OBJECT", "Wren Galaxy", "invented");
  header.set("EXPTIME", 120.0, "seconds");
  header.history("written for the cross-check");
  const int image = writer.add_image({.name = "", .size = size, .planes = 3}, header);
  const int mask = writer.add_image({"MASK", size, 1, SampleType::uint8}, {});
  const int codes = writer.add_image({"CODES", size, 1, SampleType::uint16}, {});
  Table table;
  table.name = "STARS";
  table.header.set("NOTE", "three stars");
  table.columns = {
      {"x", "pix", std::vector<double>{1.5, -2.25, 1e300}},
      {"flux", "electron", std::vector<float>{1.0F, 0.5F, std::numeric_limits<float>::quiet_NaN()}},
      {"id", "", std::vector<std::int32_t>{1, -2, 2147483647}},
      {"big", "", std::vector<std::int64_t>{1, -2, 9007199254740993}},
      {"flags", "", std::vector<std::uint8_t>{0, 128, 255}},
      {"path", "", std::vector<std::string>{"a", "", "lights/long name.fits"}}};
  writer.add_table(table);
  Grid<std::uint8_t> mask_pixels(size);
  Grid<std::uint16_t> code_pixels(size);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      mask_pixels(x, y) = static_cast<std::uint8_t>((x + y) % 256);
      code_pixels(x, y) = pattern(x, y);
    }
  }
  for (int end = size.height; end > 0; end -= strip) {
    const Rect rows{0, std::max(0, end - strip), size.width, end};
    writer.write_rows(mask, 0, rows.y0, mask_pixels.cview().crop(rows));
    for (int p = 2; p >= 0; --p) {
      const auto plane = sample_plane(size, p);
      writer.write_rows(image, p, rows.y0, plane.cview().crop(rows));
    }
    writer.write_rows(codes, 0, rows.y0, code_pixels.cview().crop(rows));
  }
  writer.set_card(image, {"NCOMBINE", "7", "subs", Card::Type::integer});
  writer.commit();
}

void check_with_cfitsio(const fs::path& path, int units) {
  int status = 0;
  fitsfile* file = nullptr;
  fits_open_diskfile(&file, path.c_str(), READONLY, &status);
  int count = 0;
  fits_get_num_hdus(file, &count, &status);
  CHECK(count == units);
  for (int i = 1; i <= count; ++i) {
    int data = 0;
    int whole_unit = 0;
    fits_movabs_hdu(file, i, nullptr, &status);
    fits_verify_chksum(file, &data, &whole_unit, &status);
    CHECK(data == 1);
    CHECK(whole_unit == 1);
  }
  fits_close_file(file, &status);
  CHECK(status == 0);
}

}  // namespace

TEST_CASE("strips in any order and size give one and the same file", "[fits]") {
  const Folder folder;
  write_sample(folder / "a.fits", 41);
  write_sample(folder / "b.fits", 1);
  write_sample(folder / "c.fits", 7);
  const std::string bytes = get_file(folder / "a.fits");
  CHECK(bytes == get_file(folder / "b.fits"));
  CHECK(bytes == get_file(folder / "c.fits"));
  CHECK(bytes.size() % 2880 == 0);
  check_with_cfitsio(folder / "a.fits", 4);
  for (const auto& report : fits::verify_checksums(folder / "a.fits")) {
    CHECK(report.data == Verdict::correct);
    CHECK(report.whole == Verdict::correct);
  }
  const auto image = fits::ImageFile::open(folder / "a.fits");
  REQUIRE(image->planes() == 3);
  CHECK(image->header().integer("NCOMBINE") == 7);
  for (int p = 0; p < 3; ++p) {
    Grid<float> pixels(image->size());
    image->fill(p, whole(image->size()), pixels.view());
    bool equal = true;
    for (int y = 0; y < pixels.height(); ++y) {
      for (int x = 0; x < pixels.width(); ++x) equal = equal && pixels(x, y) == sample(x, y, p);
    }
    CHECK(equal);
  }
  const auto codes = fits::ImageFile::open(folder / "a.fits", "CODES");
  CHECK(codes->has_codes16());
  Grid<float> pixels(codes->size());
  codes->fill(0, whole(codes->size()), pixels.view());
  CHECK(pixels(52, 40) == static_cast<float>(pattern(52, 40)));
}

TEST_CASE("sample files for the check from outside", "[fits]") {
  const char* folder = std::getenv("COLDFRAME_SAMPLES");
  if (folder == nullptr) return;
  write_sample(fs::path(folder) / "fits-sample.fits", 10);
  CHECK(fs::exists(fs::path(folder) / "fits-sample.fits"));
}

TEST_CASE("sums hold for rows written twice, from several threads, and left out", "[fits]") {
  const Folder folder;
  const Size size{37, 90};  // rows of bytes that end inside words
  fits::FileWriter writer(folder / "rows.fits");
  const int floats = writer.add_image({"", size, 1, fits::SampleType::float32}, {});
  const int bytes = writer.add_image({"BYTES", size, 2, fits::SampleType::uint8}, {});
  Grid<float> rows(size.width, 3);
  for (int y = 0; y < 3; ++y) {
    for (int x = 0; x < size.width; ++x) rows(x, y) = sample(x, y, 1);
  }
  parallel_for(Threads{4}, 29, [&](std::size_t i) {  // the last three rows stay empty
    writer.write_rows(floats, 0, static_cast<int>(3 * i), rows.cview());
    writer.write_rows(bytes, 1, static_cast<int>(3 * i), rows.cview());
  });
  writer.write_rows(floats, 0, 5, rows.cview());
  writer.commit();
  const auto reports = fits::verify_checksums(folder / "rows.fits");
  REQUIRE(reports.size() == 2);
  for (const auto& report : reports) {
    CHECK(report.data == Verdict::correct);
    CHECK(report.whole == Verdict::correct);
  }
}

TEST_CASE("the published checksums come out of the writer's own sums", "[fits][published]") {
  const auto path = fs::path(COLDFRAME_TESTDATA) / "fits/bzero-checksum.fits";
  const auto reports = fits::verify_checksums(path);  // FITS-3
  REQUIRE(reports.size() == 1);
  CHECK(reports[0].data == Verdict::correct);
  CHECK(reports[0].whole == Verdict::correct);
  const Folder folder;
  std::string bytes = get_file(path);
  bytes[2880 + 3] = static_cast<char>(bytes[2880 + 3] ^ 1);
  put_file(folder / "data.fits", bytes);
  CHECK(fits::verify_checksums(folder / "data.fits")[0].data == Verdict::wrong);
  CHECK(fits::verify_checksums(folder / "data.fits")[0].whole == Verdict::wrong);
  bytes = get_file(path);
  bytes[2000] = 'x';
  put_file(folder / "head.fits", bytes);
  CHECK(fits::verify_checksums(folder / "head.fits")[0].data == Verdict::correct);
  CHECK(fits::verify_checksums(folder / "head.fits")[0].whole == Verdict::wrong);
  put_file(folder / "none.fits", pattern_file(4, 4));
  CHECK(fits::verify_checksums(folder / "none.fits")[0].data == Verdict::absent);
  CHECK(fits::verify_checksums(folder / "none.fits")[0].whole == Verdict::absent);
  // The same pixels through the writer have the published DATASUM.
  FileWriter writer(folder / "again.fits");
  writer.add_image({.name = "", .size = {4, 3}, .type = SampleType::uint16}, {});
  Grid<std::uint16_t> pixels(4, 3);
  const std::uint16_t values[] = {0,   1,    32767, 32768, 32769, 65535,
                                  100, 1000, 10000, 60000, 12345, 54321};
  for (int i = 0; i < 12; ++i) pixels(i % 4, i / 4) = values[i];
  writer.write_rows(0, 0, 0, pixels.cview());
  writer.commit();
  CHECK(fits::read_header(folder / "again.fits", 0).text("DATASUM") == "1471103612");
}

TEST_CASE("floats become integers rounded half to even and clamped", "[fits]") {
  const float values[] = {0.5F,  1.5F,   2.5F,   -0.5F,    -1.5F,
                          1e10F, -1e10F, 254.6F, 65534.7F, std::numeric_limits<float>::quiet_NaN()};
  struct Case {
    SampleType type;
    std::vector<float> truth;
  };
  const Case cases[] = {
      {SampleType::uint8, {0, 2, 2, 0, 0, 255, 0, 255, 255, 0}},
      {SampleType::uint16, {0, 2, 2, 0, 0, 65535, 0, 255, 65535, 0}},
      {SampleType::int16, {0, 2, 2, 0, -2, 32767, -32768, 255, 32767, 0}},
      {SampleType::int32, {0, 2, 2, 0, -2, 2147483647.F, -2147483648.F, 255, 65535, 0}}};
  const Folder folder;
  Grid<float> pixels(10, 1);
  for (int i = 0; i < 10; ++i) pixels(i, 0) = values[i];
  for (const Case& test : cases) {
    FileWriter writer(folder / "i.fits");
    writer.add_image({.name = "", .size = {10, 1}, .type = test.type}, {});
    writer.write_rows(0, 0, 0, pixels.cview());
    writer.commit();
    Grid<float> back(10, 1);
    fits::ImageFile::open(folder / "i.fits")->fill(0, {0, 0, 10, 1}, back.view());
    for (int i = 0; i < 10; ++i) {
      CAPTURE(i, static_cast<int>(test.type));
      CHECK(back(i, 0) == test.truth[static_cast<std::size_t>(i)]);
    }
  }
}

TEST_CASE("nothing stands under the final name before commit, nothing stays after a failure",
          "[fits]") {
  const Folder folder;
  put_file(folder / "r.fits", "the old one");
  {
    FileWriter writer(folder / "r.fits");
    writer.add_image({.name = "", .size = {100, 100}}, {});
    CHECK(get_file(folder / "r.fits") == "the old one");
    CHECK(folder.entries() == 2);
  }
  CHECK(folder.entries() == 1);
  CHECK(get_file(folder / "r.fits") == "the old one");
  {
    FileWriter one(folder / "r.fits");
    FileWriter two(folder / "r.fits");  // two writers of one name do not meet
    one.commit();
    two.commit();
  }
  CHECK(folder.entries() == 1);
  fits::write_file_atomically(folder / "note.txt", "some text\n");
  CHECK(get_file(folder / "note.txt") == "some text\n");
  CHECK(folder.entries() == 2);
}

TEST_CASE("faults of writing name the file and the mend", "[fits]") {
  const Folder folder;
  fs::create_directory(folder / "d.fits");
  const auto of = [](const fs::path& path) { return error_of([&] { FileWriter writer(path); }); };
  CHECK(of(folder / "none/x.fits").kind() == ErrorKind::io);
  CHECK(of(folder / "none/x.fits").path() == (folder / "none/x.fits").string());
  CHECK(of(folder / "none/x.fits").fault() == "cannot be written: there is no such folder");
  CHECK(of(folder / "d.fits").fault() == "cannot be written: it is a folder");
  CHECK(of(folder / (std::string(300, 'n') + ".fits")).fault() ==
        "cannot be written: the name is too long");
  CHECK(of("/proc/x.fits").kind() == ErrorKind::io);
  FileWriter writer(folder / "w.fits");
  writer.add_image({.name = "", .size = {4, 4}}, {});
  const Grid<float> rows(4, 2);
  CHECK(error_of([&] { writer.write_rows(0, 0, 3, rows.cview()); }).kind() == ErrorKind::usage);
  CHECK(error_of([&] { writer.write_rows(0, 1, 0, rows.cview()); }).kind() == ErrorKind::usage);
  CHECK(error_of([&] { writer.write_rows(1, 0, 0, rows.cview()); }).kind() == ErrorKind::usage);
  CHECK(error_of([&] { writer.write_rows(0, 0, 0, Grid<float>(5, 1).cview()); }).kind() ==
        ErrorKind::usage);
}

namespace {

/// Lets no file grow beyond `bytes` while it lives.
class FileSizeLimit {
 public:
  explicit FileSizeLimit(rlim_t bytes) {
    ::getrlimit(RLIMIT_FSIZE, &before_);
    handler_ = std::signal(SIGXFSZ, SIG_IGN);
    const rlimit low{bytes, before_.rlim_max};
    ::setrlimit(RLIMIT_FSIZE, &low);
  }
  ~FileSizeLimit() {
    ::setrlimit(RLIMIT_FSIZE, &before_);
    std::signal(SIGXFSZ, handler_);
  }
  FileSizeLimit(const FileSizeLimit&) = delete;
  FileSizeLimit& operator=(const FileSizeLimit&) = delete;

 private:
  rlimit before_{};
  void (*handler_)(int) = nullptr;
};

}  // namespace

TEST_CASE("a write that the system cuts short is an error and leaves no file", "[fits]") {
  const Folder folder;
  const Grid<float> rows(1000, 500);
  SECTION("met when the space is claimed") {
    const FileSizeLimit limit(100'000);
    const auto error = error_of([&] {
      FileWriter writer(folder / "x.fits");
      writer.add_image({.name = "", .size = {1000, 500}}, {});
    });
    CHECK(error.kind() == ErrorKind::io);
    CHECK(error.path() == (folder / "x.fits").string());
    CHECK_FALSE(error.mend().empty());
  }
  SECTION("met while rows are written") {
    const auto error = error_of([&] {
      FileWriter writer(folder / "x.fits");
      writer.add_image({.name = "", .size = {1000, 500}}, {});
      const FileSizeLimit limit(100'000);
      writer.write_rows(0, 0, 0, rows.cview());
    });
    CHECK(error.kind() == ErrorKind::io);
    CHECK(error.fault() == "cannot be written: larger than the system allows a file to be");
  }
  SECTION("text files too") {
    const FileSizeLimit limit(1000);
    const auto error =
        error_of([&] { fits::write_file_atomically(folder / "x.txt", std::string(5000, 'x')); });
    CHECK(error.kind() == ErrorKind::io);
  }
  CHECK(folder.entries() == 0);
}

TEST_CASE("a header that outgrows its blocks moves the rest of the file", "[fits]") {
  const Folder folder;
  constexpr Size size{1000, 700};  // more than one step of the move
  FileWriter writer(folder / "g.fits");
  const int first = writer.add_image({.name = "", .size = size}, {});
  const int second = writer.add_image({.name = "B", .size = size}, {});
  const auto a = sample_plane(size, 0);
  const auto b = sample_plane(size, 1);
  writer.write_rows(first, 0, 0, a.cview());
  writer.write_rows(second, 0, 0, b.cview().crop({0, 0, 1000, 300}));
  for (int i = 0; i < 100; ++i) {
    writer.set_card(first, {"HISTORY", fmt::format("step {}", i), "", Card::Type::commentary});
  }
  writer.write_rows(second, 0, 300, b.cview().crop({0, 300, 1000, 700}));
  writer.commit();
  check_with_cfitsio(folder / "g.fits", 2);
  for (const auto* name : {"", "B"}) {
    const auto file = fits::ImageFile::open(folder / "g.fits", name);
    Grid<float> pixels(size);
    file->fill(0, whole(size), pixels.view());
    int wrong = 0;
    for (int y = 0; y < size.height; ++y) {
      for (int x = 0; x < size.width; ++x) {
        wrong += pixels(x, y) == sample(x, y, *name == '\0' ? 0 : 1) ? 0 : 1;
      }
    }
    CHECK(wrong == 0);
  }
}

TEST_CASE("rows may be written from several threads", "[fits]") {
  const Folder folder;
  constexpr Size size{300, 256};
  const auto pixels = sample_plane(size, 0);
  FileWriter writer(folder / "t.fits");
  writer.add_image({.name = "", .size = size}, {});
  parallel_for(Threads{4}, 64, [&](std::size_t i) {
    const int y = static_cast<int>(i) * 4;
    writer.write_rows(0, 0, y, pixels.cview().crop({0, y, size.width, y + 4}));
  });
  writer.commit();
  Grid<float> back(size);
  fits::ImageFile::open(folder / "t.fits")->fill(0, whole(size), back.view());
  bool equal = true;
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) equal = equal && back(x, y) == pixels(x, y);
  }
  CHECK(equal);
}
