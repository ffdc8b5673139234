#include <fitsio.h>
#include <sys/stat.h>

#include <bit>
#include <cmath>
#include <limits>

#include "catch.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fits/fixtures.hpp"

using namespace coldframe;
using namespace fixtures;
using fits::ImageFile;

namespace {

Grid<float> read_all(const ImageFile& file, int plane = 0) {
  Grid<float> pixels(file.size());
  file.fill(plane, whole(file.size()), pixels.view());
  return pixels;
}

/// Two numbers with the same bits, or both no number.
bool same(float a, float b) { return a == b || (std::isnan(a) && std::isnan(b)); }

bool holds_pattern(const ImageFile& file) {
  for (int p = 0; p < file.planes(); ++p) {
    const auto pixels = read_all(file, p);
    for (int y = 0; y < pixels.height(); ++y) {
      for (int x = 0; x < pixels.width(); ++x) {
        if (pixels(x, y) != static_cast<float>(pattern(x, y, p))) return false;
      }
    }
  }
  return true;
}

/// Compresses the image of `from` with CFITSIO.
void compress(const fs::path& from, const fs::path& to, int method, long tile_rows = 1) {
  int status = 0;
  fitsfile* in = nullptr;
  fitsfile* out = nullptr;
  fits_open_diskfile(&in, from.c_str(), READONLY, &status);
  fits_create_diskfile(&out, to.c_str(), &status);
  fits_set_compression_type(out, method, &status);
  int axes = 0;
  fits_get_img_dim(in, &axes, &status);
  std::array<long, 3> sides{};
  fits_get_img_size(in, 3, sides.data(), &status);
  std::array<long, 3> tile{sides[0], tile_rows, 1};
  fits_set_tile_dim(out, axes, tile.data(), &status);
  fits_set_quantize_level(out, 0.0F, &status);  // floats without loss
  fits_img_compress(in, out, &status);
  fits_close_file(in, &status);
  fits_close_file(out, &status);
  REQUIRE(status == 0);
}

}  // namespace

TEST_CASE("the published unsigned 16-bit file reads as stated", "[fits][published]") {
  // Reference values FITS-3: stored bytes and values computed by hand, confirmed with astropy.
  const auto file = ImageFile::open(fs::path(COLDFRAME_TESTDATA) / "fits/bzero-checksum.fits");
  REQUIRE(file->size() == Size{4, 3});
  const float truth[3][4] = {
      {0, 1, 32767, 32768}, {32769, 65535, 100, 1000}, {10000, 60000, 12345, 54321}};
  const auto pixels = read_all(*file);
  for (int y = 0; y < 3; ++y) {
    for (int x = 0; x < 4; ++x) CHECK(pixels(x, y) == truth[y][x]);
  }
  CHECK(file->has_codes16());
  CHECK(file->cheap_regions());
  CHECK(file->resident_bytes() == 0);
}

namespace {

struct Format {
  int bitpix;
  double zero;
  double scale;
  long long blank;  ///< 0: none
};

double stored_value(int bitpix, int i) {
  switch (bitpix) {
    case 8:
      return (i * 37) % 256;
    case 16:
      return (i * 7919) % 65536 - 32768;
    case 32:
      return static_cast<double>((i * 123456789LL) % 4294967296LL - 2147483648LL);
    case 64:
      return static_cast<double>((i * 1234567890123LL) % 9007199254740992LL - 4503599627370496LL);
    default:
      return (i - 17) * 1.25e-3 * (i % 3 == 0 ? -1e6 : 1);
  }
}

std::string stored_bytes(int bitpix, double value) {
  switch (bitpix) {
    case -32:
      return big_endian(std::bit_cast<std::uint32_t>(static_cast<float>(value)), 4);
    case -64:
      return big_endian(std::bit_cast<std::uint64_t>(value), 8);
    default:
      return big_endian(static_cast<std::uint64_t>(static_cast<std::int64_t>(value)), bitpix / 8);
  }
}

}  // namespace

TEST_CASE("every sample type obeys BSCALE, BZERO and BLANK", "[fits]") {
  // FITS 4.0, equation 3 and 4.4.2.5; the offsets of unsigned types are its table 11 (FITS-4).
  const Format formats[] = {{8, 0, 1, 0},
                            {8, -128, 1, 0},
                            {8, 0.5, 0.25, 37},
                            {16, 0, 1, 0},
                            {16, 32768, 1, 0},
                            {16, 100, 2, 0},
                            {16, 32768, 1, -24849},
                            {16, 0, 1, -32768},
                            {32, 0, 1, 0},
                            {32, 2147483648., 1, 0},
                            {32, -3.5, 1e-3, -2147483648LL},
                            {64, 0, 1, 0},
                            {64, 9223372036854775808., 1, 0},
                            {64, 1, 2, -4503599627370496LL},
                            {-32, 0, 1, 0},
                            {-32, 10, 3, 0},
                            {-64, 0, 1, 0},
                            {-64, -1, 1e-3, 0}};
  const Folder folder;
  constexpr int width = 37;
  constexpr int height = 5;
  for (const Format& format : formats) {
    CAPTURE(format.bitpix, format.zero, format.scale, format.blank);
    std::vector<std::string> cards;
    if (format.zero != 0) cards.push_back(card("BZERO", fmt::format("{:.1f}", format.zero)));
    if (format.scale != 1) cards.push_back(card("BSCALE", fmt::format("{}", format.scale)));
    if (format.blank != 0) cards.push_back(card("BLANK", format.blank));
    std::string data;
    std::vector<float> truth;
    for (int i = 0; i < width * height; ++i) {
      double value = stored_value(format.bitpix, i);
      data += stored_bytes(format.bitpix, value);
      if (format.bitpix == -32) value = static_cast<float>(value);
      const bool none = format.blank != 0 && static_cast<long long>(value) == format.blank;
      truth.push_back(none ? std::numeric_limits<float>::quiet_NaN()
                           : static_cast<float>(value * format.scale + format.zero));
    }
    put_file(folder / "t.fits",
             image_header(format.bitpix, {width, height}, cards) + padded(data, '\0'));
    const auto file = ImageFile::open(folder / "t.fits");
    const auto pixels = read_all(*file);
    int wrong = 0;
    int blanks = 0;
    for (int y = 0; y < height; ++y) {
      for (int x = 0; x < width; ++x) {
        wrong += same(pixels(x, y), truth[static_cast<std::size_t>(y * width + x)]) ? 0 : 1;
        blanks += std::isnan(pixels(x, y)) ? 1 : 0;
      }
    }
    CHECK(wrong == 0);
    CHECK((blanks > 0) == (format.blank != 0));
    CHECK(file->has_codes16() == (format.bitpix == 16 && format.scale == 1 && format.blank == 0 &&
                                  (format.zero == 0 || format.zero == 32768)));
  }
}

TEST_CASE("NaN in float data comes as NaN, BLANK there means nothing", "[fits]") {
  const Folder folder;
  const std::string nan = big_endian(0x7FC00001U, 4);
  const std::string minus_five = big_endian(std::bit_cast<std::uint32_t>(-5.0F), 4);
  put_file(folder / "n.fits",
           image_header(-32, {2, 1}, {card("BLANK", -5)}) + padded(nan + minus_five, '\0'));
  const auto pixels = read_all(*ImageFile::open(folder / "n.fits"));
  CHECK(std::isnan(pixels(0, 0)));
  CHECK(pixels(1, 0) == -5.0F);
}

TEST_CASE("regions equal the same part of the whole, in every storage", "[fits]") {
  const Folder folder;
  constexpr int width = 301;
  constexpr int height = 97;
  put_file(folder / "plain.fits", pattern_file(width, height, 3));
  put_file(folder / "packed.fits.gz", gzipped(pattern_file(width, height, 3)));
  compress(folder / "plain.fits", folder / "rice.fits.fz", RICE_1);
  compress(folder / "plain.fits", folder / "gzip.fits.fz", GZIP_1, 20);
  compress(folder / "plain.fits", folder / "gzip2.fits.fz", GZIP_2);
  put_file(folder / "both.fits.fz.gz", gzipped(get_file(folder / "rice.fits.fz")));
  const Rect rects[] = {{0, 0, width, height}, {0, 0, 1, 1},       {300, 96, 301, 97},
                        {3, 5, 290, 61},       {100, 19, 110, 42}, {7, 0, 8, height},
                        {0, 40, width, 41}};
  for (const char* name : {"plain.fits", "packed.fits.gz", "rice.fits.fz", "gzip.fits.fz",
                           "gzip2.fits.fz", "both.fits.fz.gz"}) {
    CAPTURE(name);
    const auto file = ImageFile::open(folder / name);
    REQUIRE(file->size() == Size{width, height});
    REQUIRE(file->planes() == 3);
    CHECK(holds_pattern(*file));
    CHECK(file->has_codes16());
    for (const Rect& rect : rects) {
      for (int plane = 0; plane < 3; ++plane) {
        Grid<float> pixels(rect.size());
        file->fill(plane, rect, pixels.view());
        bool equal = true;
        for (int y = 0; y < rect.height(); ++y) {
          for (int x = 0; x < rect.width(); ++x) {
            equal = equal &&
                    pixels(x, y) == static_cast<float>(pattern(x + rect.x0, y + rect.y0, plane));
          }
        }
        CHECK(equal);
      }
    }
  }
  CHECK(ImageFile::open(folder / "rice.fits.fz")->cheap_regions());
  CHECK_FALSE(ImageFile::open(folder / "gzip.fits.fz")->cheap_regions());
  CHECK_FALSE(ImageFile::open(folder / "packed.fits.gz")->cheap_regions());
  CHECK(ImageFile::open(folder / "packed.fits.gz")->resident_bytes() >= 2U * width * height * 3U);
  CHECK(ImageFile::open(folder / "rice.fits.fz")->resident_bytes() == 0);
}

TEST_CASE("a Rice stream of the reference values decodes", "[fits][published]") {
  // FITS-8: 40 values 100 + (37 i mod 11) and their RICE_1 bytes (block 32, 16 bits).
  const std::string hex = "006448421a8435086a1a8435086a10d435086a10d421a886a10d421a";
  std::string stream;
  for (std::size_t i = 0; i < hex.size(); i += 2) {
    stream += static_cast<char>(std::stoi(hex.substr(i, 2), nullptr, 16));
  }
  const auto bytes = static_cast<long long>(stream.size());
  const std::string table = header({"XTENSION= 'BINTABLE'",
                                    card("BITPIX", 8),
                                    card("NAXIS", 2),
                                    card("NAXIS1", 8),
                                    card("NAXIS2", 1),
                                    card("PCOUNT", bytes),
                                    card("GCOUNT", 1),
                                    card("TFIELDS", 1),
                                    "TTYPE1  = 'COMPRESSED_DATA'",
                                    fmt::format("TFORM1  = '1PB({})'", bytes),
                                    card("ZIMAGE", "T"),
                                    card("ZTILE1", 40),
                                    card("ZTILE2", 1),
                                    "ZCMPTYPE= 'RICE_1  '",
                                    "ZNAME1  = 'BLOCKSIZE'",
                                    card("ZVAL1", 32),
                                    "ZNAME2  = 'BYTEPIX '",
                                    card("ZVAL2", 2),
                                    card("ZBITPIX", 16),
                                    card("ZNAXIS", 2),
                                    card("ZNAXIS1", 40),
                                    card("ZNAXIS2", 1)});
  const std::string data =
      big_endian(static_cast<std::uint64_t>(bytes), 4) + big_endian(0, 4) + stream;
  const Folder folder;
  put_file(folder / "r.fits.fz",
           header({card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0), card("EXTEND", "T")}) +
               table + padded(data, '\0'));
  const auto pixels = read_all(*ImageFile::open(folder / "r.fits.fz"));
  REQUIRE(pixels.size() == Size{40, 1});
  for (int i = 0; i < 40; ++i) CHECK(pixels(i, 0) == static_cast<float>(100 + (37 * i) % 11));
}

TEST_CASE("the header of a compressed image is that of the image", "[fits]") {
  const Folder folder;
  put_file(folder / "a.fits", pattern_file(20, 10, 1,
                                           {"OBJECT  = 'Wren Galaxy'", "HISTORY one", "HISTORY two",
                                            "FILTER  = 'L       '           / luminance"}));
  compress(folder / "a.fits", folder / "a.fits.fz", RICE_1);
  const auto plain = ImageFile::open(folder / "a.fits");
  const auto packed = ImageFile::open(folder / "a.fits.fz");
  for (const char* keyword : {"BITPIX", "NAXIS", "NAXIS1", "NAXIS2", "BZERO", "OBJECT", "FILTER"}) {
    CAPTURE(keyword);
    CHECK(packed->header().text(keyword) == plain->header().text(keyword));
  }
  for (const Card& c : packed->header().cards()) {
    CHECK_FALSE(c.keyword.starts_with("Z"));
    CHECK_FALSE(c.keyword.starts_with("T"));
  }
  CHECK(packed->info().object == "Wren Galaxy");
  const auto units = fits::list_hdus(folder / "a.fits.fz");
  REQUIRE(units.size() == 2);
  CHECK(units[1].compressed);
  CHECK(units[1].kind == fits::HduSummary::Kind::image);
  CHECK(units[1].bitpix == 16);
  CHECK(units[1].axes == std::vector<std::int64_t>{20, 10});
}

TEST_CASE("the image may stand in an extension and inherits the primary's facts", "[fits]") {
  const Folder folder;
  const std::string primary = header({card("SIMPLE", "T"), card("BITPIX", 8), card("NAXIS", 0),
                                      "OBJECT  = 'Wren Galaxy'", card("EXPTIME", "60.0")});
  const std::string first =
      image_header(16, {3, 2}, {"EXTNAME = 'CCD1    '", card("EXPTIME", "30.0")}, true) +
      padded(big_endian(7, 2), '\0');
  const std::string second =
      image_header(16, {3, 2}, {"EXTNAME = 'CCD2    '", card("INHERIT", "F")}, true) +
      padded(big_endian(9, 2), '\0');
  put_file(folder / "m.fits", primary + first + second);
  const auto one = ImageFile::open(folder / "m.fits");
  CHECK(read_all(*one)(0, 0) == 7.0F);
  CHECK(one->header().text("OBJECT") == "Wren Galaxy");
  CHECK(one->header().real("EXPTIME") == 30.0);
  const auto two = ImageFile::open(folder / "m.fits", "ccd2");
  CHECK(read_all(*two)(0, 0) == 9.0F);
  CHECK_FALSE(two->header().text("OBJECT"));
  const auto error = error_of([&] { (void)ImageFile::open(folder / "m.fits", "CCD3"); });
  CHECK(error.fault() == "it has no extension named CCD3");
}

TEST_CASE("a file name is just a name", "[fits]") {
  const Folder folder;
  put_file(folder / "plain.fits", pattern_file(9, 4));
  compress(folder / "plain.fits", folder / "plain.fz", RICE_1);
  for (const char* name : {"a[1].fits", "b (x).fits", "\xC3\xBC.fits", "c.fits[0:2,*]", "d+1.fits",
                           "http:x.fits", "-", "~e.fits", "!f.fits", "g;h&i$.fits"}) {
    CAPTURE(name);
    fs::copy_file(folder / "plain.fits", folder / name);
    CHECK(holds_pattern(*ImageFile::open(folder / name)));
    fs::copy_file(folder / "plain.fz", folder / name, fs::copy_options::overwrite_existing);
    CHECK(holds_pattern(*ImageFile::open(folder / name)));
  }
}

TEST_CASE("broken and foreign files are refused in one clear line", "[fits]") {
  const Folder folder;
  const std::string good = pattern_file(30, 100);
  const auto line = [&](const std::string& name) {
    const auto error = error_of([&] {
      const auto file = ImageFile::open(folder / name);
      (void)read_all(*file);
    });
    CHECK(error.kind() == ErrorKind::input);
    const std::string path = (folder / name).string();
    REQUIRE(std::string(error.what()).starts_with(path + ": "));
    return std::string(error.what()).substr(path.size() + 2);
  };
  CHECK(line("missing.fits") == "no such file; check the name");
  put_file(folder / "only.fits.gz", gzipped(good));
  CHECK(line("only.fits") == "no such file; check the name");  // and not only.fits.gz
  fs::create_directory(folder / "folder.fits");
  CHECK(line("folder.fits") == "is a folder, not a file; name a FITS file");
  REQUIRE(::mkfifo((folder / "pipe.fits").c_str(), 0600) == 0);
  CHECK(line("pipe.fits") == "is not a regular file; name a FITS file");
  put_file(folder / "empty.fits", "");
  CHECK(line("empty.fits") == "the file is empty; copy it again from the camera");
  put_file(folder / "text.fits", "This is a shopping list: bread, milk, a focal reducer.\n");
  CHECK(line("text.fits") == "is not a FITS file; name a FITS file");
  put_file(folder / "s.fits", "SIM");
  CHECK(line("s.fits") == "is not a FITS file; name a FITS file");
  put_file(folder / "cut.fits", good.substr(0, 2880 + 5999));
  CHECK(line("cut.fits") ==
        "file is shorter than its header says (8879 of 8880 bytes); copy it again from the camera");
  put_file(folder / "nopad.fits", good.substr(0, 2880 + 6000));
  CHECK(holds_pattern(*ImageFile::open(folder / "nopad.fits")));
  put_file(folder / "noend.fits", good.substr(0, 1000));
  CHECK(
      line("noend.fits") ==
      "file is shorter than its header says: the header has no end; copy it again from the camera");
  const std::string zipped = gzipped(good);
  put_file(folder / "cut.fits.gz", zipped.substr(0, zipped.size() / 2));
  CHECK(line("cut.fits.gz") == "the gzip data end too early; copy it again from the camera");
  std::string damaged = zipped;
  for (std::size_t i = zipped.size() / 2; i < zipped.size() / 2 + 50; ++i) damaged[i] ^= 0x55;
  put_file(folder / "bad.fits.gz", damaged);
  CHECK(line("bad.fits.gz") == "the gzip data are damaged; copy it again from the camera");
}

TEST_CASE("shapes that are no picture are refused before memory is asked for", "[fits]") {
  const Folder folder;
  const auto line = [&](const std::string& head) {
    put_file(folder / "s.fits", head + std::string(2880, '\0'));
    const auto error = error_of([&] { (void)ImageFile::open(folder / "s.fits"); });
    CHECK(error.kind() == ErrorKind::input);
    return error.fault();
  };
  CHECK(line(image_header(16, {})) == "it holds no image");
  CHECK(line(image_header(16, {0, 5})) == "it holds no image");
  CHECK(line(image_header(16, {12})) == "its image has one axis only, not two");
  CHECK(line(image_header(16, {4, 4, 2})) == "its image has 2 planes, not 1 or 3");
  CHECK(line(image_header(16, {4, 4, 3, 2})) == "its image has 4 axes");
  CHECK(line(image_header(8, {100001, 1})) == "its image of 100001 x 1 pixels is too large");
  CHECK(line(image_header(8, {100000, 100000})) ==
        "its image of 100000 x 100000 pixels is too large");
  CHECK(line(image_header(16, {60000, 30000})) ==
        "file is shorter than its header says (5760 of 3600002880 bytes)");
  CHECK(line(image_header(17, {4, 4})) == "BITPIX in its header is 17, which no FITS image has");
  CHECK(line(image_header(16, {4, -4})) == "NAXIS2 in its header is negative");
  CHECK(line(header({card("SIMPLE", "T"), card("BITPIX", 16), card("NAXIS", 2),
                     card("NAXIS1", 4)})) == "its header lacks NAXIS2");
  CHECK(line(header({card("SIMPLE", "T"), card("BITPIX", 16), card("NAXIS", "two")})) ==
        "NAXIS in its header is not a whole number");
  CHECK(line(image_header(64, {9000000000000000000LL, 9000000000000000000LL})) ==
        "its header declares an impossible size");
  CHECK(line(image_header(16, {4, 4}, {card("BSCALE", 0)})) == "BSCALE in its header is zero");
  CHECK(line(image_header(16, {4, 4}, {"BZERO   = 'much'"})) ==
        "BZERO in its header is not a number");
  put_file(folder / "ones.fits", image_header(16, {4, 4, 1, 1}) + std::string(2880, '\0'));
  CHECK(ImageFile::open(folder / "ones.fits")->planes() == 1);
}

TEST_CASE("compressed tiles that are damaged give one line", "[fits]") {
  const Folder folder;
  put_file(folder / "a.fits", pattern_file(64, 64));
  compress(folder / "a.fits", folder / "a.fz", GZIP_1);
  const std::string good = get_file(folder / "a.fz");
  std::string damaged = good;
  // The heap starts behind the 64 descriptors of the table; a gzip tile that lost its magic is
  // caught.
  const auto heap = good.find("\x1f\x8b");
  REQUIRE(heap != std::string::npos);
  for (std::size_t i = heap; i < heap + 300; ++i) damaged[i] ^= 0x5A;
  put_file(folder / "b.fz", damaged);
  const auto error = error_of([&] { (void)read_all(*ImageFile::open(folder / "b.fz")); });
  CHECK(error.kind() == ErrorKind::input);
  CHECK(error.fault().starts_with("a compressed tile does not inflate"));
  // A cut stream (its descriptor gives fewer bytes) must end in the same line, not in a loop.
  std::string cut_stream = good;
  const auto descriptors = good.find(std::string("END") + std::string(77, ' '), 2880);
  const std::size_t table = (descriptors / 2880 + 1) * 2880;
  cut_stream[table + 3] = 40;  // of more than 100 bytes
  put_file(folder / "l.fz", cut_stream);
  const auto cut_error = error_of([&] { (void)read_all(*ImageFile::open(folder / "l.fz")); });
  CHECK(cut_error.fault().starts_with("a compressed tile does not inflate"));
  const auto with_tile = [&](const char* text) {
    std::string forged = good;
    forged.replace(forged.find("ZTILE2  = "), 30, fmt::format("ZTILE2  = {:>20}", text));
    put_file(folder / "t.fz", forged);
    return error_of([&] { (void)ImageFile::open(folder / "t.fz"); }).fault();
  };
  CHECK(with_tile("0") == "ZTILE2 in its header is not positive");
  CHECK(with_tile("0  1") == "ZTILE2 in its header is not a whole number");
  CHECK(with_tile("2") == "it holds another number of compressed tiles than its header says");
  CHECK(with_tile("1000") == "its compressed tiles do not fit the image");
  compress(folder / "a.fits", folder / "h.fz", HCOMPRESS_1, 16);
  CHECK(error_of([&] { (void)ImageFile::open(folder / "h.fz"); }).mend() ==
        "uncompress it first (funpack)");
  put_file(folder / "c.fz", good.substr(0, good.size() - 2 * 2880));
  const auto cut = error_of([&] { (void)ImageFile::open(folder / "c.fz"); });
  CHECK(cut.fault().starts_with("file is shorter than its header says"));
}

TEST_CASE("a file that changes under way is noticed", "[fits]") {
  const Folder folder;
  put_file(folder / "a.fits", pattern_file(64, 64));
  compress(folder / "a.fits", folder / "a.fz", RICE_1);
  for (const char* name : {"a.fits", "a.fz"}) {
    const auto file = ImageFile::open(folder / name);
    (void)read_all(*file);
    fs::resize_file(folder / name, fs::file_size(folder / name) - 2880);
    const auto error = error_of([&] { (void)read_all(*file); });
    CHECK(error.kind() == ErrorKind::input);
    CHECK(error.fault() == "the file changed while it was being read");
  }
}

TEST_CASE("concurrent fills agree with serial ones", "[fits]") {
  const Folder folder;
  constexpr int width = 200;
  constexpr int height = 320;
  put_file(folder / "a.fits", pattern_file(width, height));
  put_file(folder / "a.gz", gzipped(pattern_file(width, height)));
  compress(folder / "a.fits", folder / "a.fz", RICE_1);
  for (const char* name : {"a.fits", "a.gz", "a.fz"}) {
    const auto shared = ImageFile::open(folder / name);
    Grid<float> pixels(width, height);
    std::array<int, 40> wrong{};
    parallel_for(Threads{4}, wrong.size(), [&](std::size_t i) {
      const int y0 = static_cast<int>(i) * 8;
      shared->fill(0, {0, y0, width, y0 + 8}, pixels.view().crop({0, y0, width, y0 + 8}));
      // A handle of its own on the same file, opened and closed beside the others.
      const auto own = ImageFile::open(folder / name);
      Grid<float> band(width, 8);
      own->fill(0, {0, y0, width, y0 + 8}, band.view());
      for (int y = 0; y < 8; ++y) {
        for (int x = 0; x < width; ++x) {
          const auto truth = static_cast<float>(pattern(x, y + y0));
          wrong[i] += (pixels(x, y + y0) != truth) + (band(x, y) != truth);
        }
      }
    });
    for (const int count : wrong) CHECK(count == 0);
  }
}

TEST_CASE("keys tell contents apart", "[fits]") {
  const Folder folder;
  put_file(folder / "a", std::string(100003, 'x'));
  const auto key = fits::content_key(folder / "a");
  CHECK(key.starts_with(fits::stat_key(folder / "a") + "-"));
  CHECK(fits::content_key(folder / "a") == key);
  const auto time = fs::last_write_time(folder / "a");
  std::string other(100003, 'x');
  other[70001] = 'y';
  put_file(folder / "a", other);
  fs::last_write_time(folder / "a", time);
  CHECK(fits::stat_key(folder / "a") + "-" == key.substr(0, key.rfind('-') + 1));
  CHECK(fits::content_key(folder / "a") != key);
}
