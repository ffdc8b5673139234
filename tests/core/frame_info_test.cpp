#include "coldframe/core/frame_info.hpp"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <string>
#include <string_view>
#include <vector>

#include "catch.hpp"

using namespace coldframe;

namespace {

constexpr Size frame{4656, 3520};

// Cards as they stand in files: "KEY = 'text' / comment", "KEY = 12 / comment" or "HISTORY words".
Header header_of(std::string_view cards) {
  Header header;
  std::size_t at = 0;
  while (at < cards.size()) {
    const auto end = std::min(cards.find('\n', at), cards.size());
    std::string line(cards.substr(at, end - at));
    at = end + 1;
    const auto equals = line.find('=');
    if (line.starts_with("HISTORY")) {
      header.history(line.substr(8));
      continue;
    }
    if (equals == std::string::npos) continue;
    Card card;
    card.keyword = line.substr(0, line.find_last_not_of(' ', equals - 1) + 1);
    std::string rest = line.substr(equals + 1);
    rest.erase(0, rest.find_first_not_of(' '));
    std::size_t value_end = rest.find('/');
    if (rest.starts_with('\'')) {
      const auto quote = rest.find('\'', 1);
      card.value = rest.substr(1, quote - 1);
      card.type = Card::Type::text;
      value_end = rest.find('/', quote);
    } else {
      card.value = rest.substr(0, value_end);
      card.value.erase(card.value.find_last_not_of(' ') + 1);
      card.type = card.value == "T" || card.value == "F" ? Card::Type::logical : Card::Type::real;
    }
    if (value_end != std::string::npos) card.comment = rest.substr(value_end + 1);
    header.add(std::move(card));
  }
  return header;
}

FrameInfo read(std::string_view cards, Size size = frame, int planes = 1,
               std::string_view name = "") {
  return interpret_header(header_of(cards), size, planes, name);
}

bool close(const std::optional<double>& value, double expected, double tolerance = 1e-9) {
  return value && std::fabs(*value - expected) <= tolerance;
}

bool has(const std::vector<std::string>& list, std::string_view part) {
  return std::any_of(list.begin(), list.end(),
                     [&](const std::string& text) { return text.find(part) != std::string::npos; });
}

}  // namespace

TEST_CASE("spellings of the type of frame", "[frame-info]") {
  // Common practice of drivers and observatories, no source.
  const std::pair<const char*, FrameKind> table[] = {
      {"Light Frame", FrameKind::light},   {"LIGHT", FrameKind::light},
      {"light", FrameKind::light},         {"object", FrameKind::light},
      {"OBJECT", FrameKind::light},        {"science", FrameKind::light},
      {"Master Light", FrameKind::light},  {"EXPOSE", FrameKind::light},
      {"STANDARD", FrameKind::light},      {"Flat Field", FrameKind::flat},
      {"FLAT", FrameKind::flat},           {"FLATFIELD", FrameKind::flat},
      {"SKYFLAT", FrameKind::flat},        {"sky flat", FrameKind::flat},
      {"twilight flat", FrameKind::flat},  {"TWILIGHT", FrameKind::flat},
      {"dome flat", FrameKind::flat},      {"DOMEFLAT", FrameKind::flat},
      {"FLAT,SKY", FrameKind::flat},       {"Master Flat", FrameKind::flat},
      {"Dark Frame", FrameKind::dark},     {"DARK", FrameKind::dark},
      {"master dark", FrameKind::dark},    {"Bias Frame", FrameKind::bias},
      {"BIAS", FrameKind::bias},           {"zero", FrameKind::bias},
      {"Offset", FrameKind::bias},         {"flat dark", FrameKind::flat_dark},
      {"darkflat", FrameKind::flat_dark},  {"Dark Flat Frame", FrameKind::flat_dark},
      {"flat-dark", FrameKind::flat_dark}, {"focus", FrameKind::unknown},
      {"ICRS", FrameKind::unknown},        {"", FrameKind::unknown},
      {"comp", FrameKind::unknown},        {"\xC3\xA9toile", FrameKind::unknown}};
  for (const auto& [text, kind] : table) {
    INFO(text);
    CHECK(frame_kind_from_text(text) == kind);
    CHECK(read("IMAGETYP= '" + std::string(text) + "'").kind == kind);
  }
  for (const auto kind : {FrameKind::light, FrameKind::dark, FrameKind::flat, FrameKind::bias,
                          FrameKind::flat_dark}) {
    CHECK(frame_kind_from_text(to_string(kind)) == kind);
  }
  for (const char* keyword :
       {"OBSTYPE", "FRAME", "IMGTYPE", "imagetyp", "DATA-TYP", "ESO DPR TYPE"}) {
    INFO(keyword);
    CHECK(read(std::string(keyword) + " = 'DARK'").kind == FrameKind::dark);
  }
}

TEST_CASE("masters are known as such", "[frame-info]") {
  CHECK(read("IMAGETYP= 'Master Dark'").is_master);
  CHECK_FALSE(read("IMAGETYP= 'Dark Frame'").is_master);
  CHECK(read("IMAGETYP= 'DARK'\nNCOMBINE= 20").is_master);
  CHECK_FALSE(read("IMAGETYP= 'LIGHT'\nSNAPSHOT= 1 / Number of images combined").is_master);
}

TEST_CASE("the file name speaks only when the header does not", "[frame-info]") {
  const auto kind = [](const char* name) { return read("", frame, 1, name).kind; };
  CHECK(kind("dark_300s_0001.fits") == FrameKind::dark);
  CHECK(kind("Flat-V-003.fit") == FrameKind::flat);
  CHECK(kind("masterFlat.fits") == FrameKind::flat);
  CHECK(kind("FlatDark_1s.fits") == FrameKind::flat_dark);
  CHECK(kind("bias 12.fts") == FrameKind::bias);
  CHECK(kind("LIGHT_L_120s.fits") == FrameKind::light);
  CHECK(kind("moonlight.fits") == FrameKind::unknown);  // a word, not a part of one
  CHECK(kind("darkness_nebula.fits") == FrameKind::unknown);
  CHECK(kind("ngc0.fits") == FrameKind::unknown);
  CHECK(read("", frame, 1, "master_dark.fits").is_master);
  CHECK(read("IMAGETYP= 'LIGHT'", frame, 1, "dark_1.fits").kind == FrameKind::light);
  CHECK(read("IMAGETYP= 'focus'", frame, 1, "dark_1.fits").kind == FrameKind::unknown);
}

TEST_CASE("a cooled colour camera on a small refractor", "[frame-info]") {
  const auto info = read(
      "XBINNING= 1\nYBINNING= 1\nGAIN    = 120 / camera gain\nOFFSET  = 30\nEGAIN   = 0.246 / "
      "e-/ADU\n"
      "XPIXSZ  = 3.8 / um\nINSTRUME= 'Heron 2600 Colour'\nSET-TEMP= -10.0\nCCD-TEMP= -9.8\n"
      "BAYERPAT= 'RGGB'\nXBAYROFF= 0\nYBAYROFF= 0\nROWORDER= 'TOP-DOWN'\nTELESCOP= 'Wren 80'\n"
      "FOCALLEN= 384\nRA = 210.80225 / [deg] RA of telescope\nDEC = 54.34894\nOBJECT = 'Wren "
      "Galaxy'\n"
      "IMAGETYP= 'LIGHT'\nEXPOSURE= 120.0\nDATE-OBS= '2031-03-14T21:03:11.527'\nPIERSIDE= 'West'\n"
      "SITELAT = 47.5\nSITELONG= 8.25\nAIRMASS = 1.21\nROTATANG= 93.5\nFOCUSPOS= 15230\nFOCTEMP= "
      "7.1\n"
      "READOUTM= 'High Gain'\nPEDESTAL= -100 / Correction to add for zero-based ADU");
  CHECK(info.kind == FrameKind::light);
  CHECK(info.camera == "Heron 2600 Colour");
  CHECK(info.telescope == "Wren 80");
  CHECK(info.object == "Wren Galaxy");
  CHECK(info.read_out == "High Gain");
  CHECK(info.pier_side == "West");
  CHECK(close(info.gain_setting, 120));
  CHECK(close(info.offset_setting, 30));
  CHECK(close(info.gain_e_per_adu, 0.246));
  CHECK(close(info.exposure_s, 120));
  CHECK(close(info.temperature_c, -9.8));
  CHECK(close(info.set_temperature_c, -10));
  CHECK(close(info.sensor_temperature_c(), -9.8));
  CHECK(info.cfa == CfaPattern::rggb);
  CHECK(close(info.ra_deg, 210.80225));
  CHECK(close(info.dec_deg, 54.34894));
  CHECK(close(info.site_latitude_deg, 47.5));
  CHECK(close(info.site_longitude_deg, 8.25));
  CHECK(close(info.airmass, 1.21));
  CHECK(close(info.rotator_deg, 93.5));
  CHECK(close(info.focus_position, 15230));
  CHECK(close(info.focus_temperature_c, 7.1));
  CHECK(close(info.pedestal_adu, -100));
  CHECK(close(info.arcsec_per_px(), 206.264806247096 * 3.8 / 384, 1e-9));
  CHECK(info.start_text == "2031-03-14T21:03:11.527");
  CHECK(close(info.start_s, seconds_from_iso("2031-03-14T21:03:11").value() + 0.527, 1e-5));
  CHECK(info.missing.empty());
  CHECK(info.problems.empty());
}

TEST_CASE("a university observatory with its own spellings", "[frame-info]") {
  const auto info = read(
      "OBSTYPE = 'OBJECT  '\nEXP_TIME= '300.0   '\nCCDTEMP = 163.15 / CCD temperature [K]\n"
      "DETECTOR= 'Tern CCD 4k'\nINSTRUME= '        '\nCCDSUM  = '2 2     '\nGAIN = 1.6 / "
      "[electrons/ADU]\n"
      "RDNOISE = 4.5 / [electrons]\nFILTER1 = 'air     '\nFILTER2 = 'rp      '\n"
      "DATE-OBS= '2029-11-02'\nUT      = '3:05:07.25'\nRA      = '19:11:07.2'\nDEC     = "
      "'-01:01:33.2'\n"
      "LAT-OBS = '-29 15 25'\nLONG-OBS= '70 44 22 W'\nSATURATE= 65000\nAIRMASS = 0.0\nFOCALLEN= "
      "0.0\n"
      "BIASSEC = '[1:32,1:2048]'\nTRIMSEC = '[33:2080,:]'\nDATASEC = '[33:2080,1:2048]'",
      {2080, 2048});
  CHECK(info.kind == FrameKind::light);
  CHECK(info.camera == "Tern CCD 4k");
  CHECK(close(info.exposure_s, 300));
  CHECK(close(info.temperature_c, -110.0));
  CHECK(info.binning_x == 2);
  CHECK(info.binning_y == 2);
  CHECK(close(info.gain_e_per_adu, 1.6));
  CHECK_FALSE(info.gain_setting);
  CHECK(has(info.problems, "GAIN"));
  CHECK(close(info.read_noise_e, 4.5));
  CHECK(close(info.saturation_adu, 65000));
  CHECK(info.filter == "rp");
  CHECK(info.start_text == "2029-11-02T03:05:07.250");
  CHECK(close(info.ra_deg, 15.0 * (19 + 11 / 60.0 + 7.2 / 3600), 1e-9));
  CHECK(close(info.dec_deg, -(1 + 1 / 60.0 + 33.2 / 3600), 1e-9));
  CHECK(close(info.site_latitude_deg, -(29 + 15 / 60.0 + 25 / 3600.0)));
  CHECK(close(info.site_longitude_deg, -(70 + 44 / 60.0 + 22 / 3600.0)));
  CHECK_FALSE(info.airmass);
  CHECK_FALSE(info.focal_length_mm);
  CHECK_FALSE(info.arcsec_per_px());
  CHECK(info.bias_section.value() == Rect{0, 0, 32, 2048});
  CHECK(info.trim_section.value() == Rect{32, 0, 2080, 2048});
  CHECK(info.data_section.value() == Rect{32, 0, 2080, 2048});
  CHECK(info.missing.empty());
}

TEST_CASE("GAIN is a driver's setting unless its comment says otherwise", "[frame-info]") {
  const auto setting = read("GAIN = 1.5 / gain");
  CHECK(close(setting.gain_setting, 1.5));
  CHECK_FALSE(setting.gain_e_per_adu);
  for (const char* comment : {"Gain in e-/ADU", "[electron/adu]", "electrons per ADU",
                              "Gain, e/ADU", "(electrons/DN)", "[electrons/count] Pixel gain"}) {
    INFO(comment);
    const auto info = read(std::string("GAIN = 1.5 / ") + comment);
    CHECK(close(info.gain_e_per_adu, 1.5));
    CHECK_FALSE(info.problems.empty());
  }
  for (const char* comment : {"ADU per electron", "ADU/e-", "0.1 dB", "sensor gain"}) {
    INFO(comment);
    CHECK_FALSE(read(std::string("GAIN = 1.5 / ") + comment).gain_e_per_adu);
  }
  const auto both = read("GAIN = 100\nEGAIN = 0.8");
  CHECK(close(both.gain_setting, 100));
  CHECK(close(both.gain_e_per_adu, 0.8));
  const auto bad = read("EGAIN = -1.0");
  CHECK_FALSE(bad.gain_e_per_adu);
  CHECK(has(bad.problems, "EGAIN"));
  CHECK(close(read("RDNOISE = 3 / ADU\nEGAIN = 2").read_noise_e, 6));
  CHECK_FALSE(read("RDNOISE = 3 / [adu]").read_noise_e);
}

TEST_CASE("values that cannot be are listed and left out", "[frame-info]") {
  const auto info = read(
      "EXPTIME = -3.0\nCCD-TEMP= -999\nXBINNING= 0\nRA = '25:61:00'\nDEC = '+95 00 00'\nSITELAT= "
      "1000\n"
      "DATE-OBS= 'yesterday'\nBIASSEC = '[4096:4109]'\nTRIMSEC = '[1:9000, :]'\nBAYERPAT= 'CMYG'\n"
      "IMAGETYP= 'banana'\nRDNOISE = -4\nSATURATE= -1");
  CHECK_FALSE(info.exposure_s);
  CHECK_FALSE(info.temperature_c);
  CHECK(info.binning_x == 1);
  CHECK_FALSE(info.ra_deg);
  CHECK_FALSE(info.dec_deg);
  CHECK_FALSE(info.site_latitude_deg);
  CHECK_FALSE(info.start_s);
  CHECK_FALSE(info.bias_section);
  CHECK_FALSE(info.trim_section);
  CHECK(info.cfa == CfaPattern::none);
  CHECK(info.kind == FrameKind::unknown);
  CHECK_FALSE(info.read_noise_e);
  CHECK_FALSE(info.saturation_adu);
  for (const char* keyword :
       {"EXPTIME", "CCD-TEMP", "XBINNING", "RA =", "SITELAT", "DATE-OBS", "BIASSEC", "TRIMSEC",
        "BAYERPAT", "IMAGETYP", "RDNOISE", "SATURATE"}) {
    INFO(keyword);
    CHECK(has(info.problems, keyword));
  }
  for (const char* fact : {"kind", "exposure", "camera", "temperature", "start", "gain in e/ADU"}) {
    INFO(fact);
    CHECK(has(info.missing, fact));
  }
  // The second spelling helps where the first one is broken.
  CHECK(close(read("EXPTIME = -3\nEXPOSURE= 30").exposure_s, 30));
  CHECK(has(read("IMAGETYP= 'FLAT'").missing, "filter"));
  CHECK_FALSE(has(read("IMAGETYP= 'DARK'").missing, "filter"));
  CHECK_FALSE(has(read("IMAGETYP= 'LIGHT'\nBAYERPAT= 'RGGB'").missing, "filter"));
  CHECK_FALSE(has(read("IMAGETYP= 'BIAS'").missing, "exposure"));
}

TEST_CASE("exposures and temperatures in other units", "[frame-info]") {
  CHECK(close(read("EXPTIME = 500 / [ms] exposure").exposure_s, 0.5));
  CHECK(close(read("EXPTIME = '30 s'").exposure_s, 30));
  CHECK(close(read("EXPOINUS= 32").exposure_s, 32e-6, 1e-15));
  CHECK(close(read("EXPTIME = 0").exposure_s, 0));
  CHECK(close(read("ITIME   = 1.5D1").exposure_s, 15));
  CHECK(close(read("SET-TEMP= 253.15").sensor_temperature_c(), -20));
  CHECK(close(read("DET-TEMP= '-35.5 C'").temperature_c, -35.5));
}

TEST_CASE("binning in its spellings", "[frame-info]") {
  const auto binning = [](const char* cards) {
    const auto info = read(cards);
    return std::pair(info.binning_x, info.binning_y);
  };
  CHECK(binning("XBINNING= 2\nYBINNING= 3") == std::pair(2, 3));
  CHECK(binning("XBINNING= 2") == std::pair(2, 2));
  CHECK(binning("CCDSUM  = '3 1'") == std::pair(3, 1));
  CHECK(binning("BINNING = '2x2'") == std::pair(2, 2));
  CHECK(binning("BINNING = 4") == std::pair(4, 4));
  CHECK(binning("") == std::pair(1, 1));
}

TEST_CASE("colour filter patterns with offsets and row order", "[frame-info]") {
  const auto cfa = [](const char* cards, Size size) { return read(cards, size).cfa; };
  const Size even{100, 60};
  const Size odd{100, 61};
  CHECK(cfa("BAYERPAT= 'GRBG'", even) == CfaPattern::grbg);
  CHECK(cfa("COLORTYP= 'BGGR'", even) == CfaPattern::bggr);
  CHECK(cfa("BAYERPAT= 'RGGB'\nXBAYROFF= 1", even) == CfaPattern::grbg);
  CHECK(cfa("BAYERPAT= 'RGGB'\nYBAYROFF= 1", even) == CfaPattern::gbrg);
  CHECK(cfa("BAYERPAT= 'RGGB'\nXBAYROFF= 1\nYBAYROFF= -1", even) == CfaPattern::bggr);
  CHECK(cfa("BAYERPAT= 'RGGB'\nROWORDER= 'TOP-DOWN'", even) == CfaPattern::rggb);
  // BOTTOM-UP: row h-1 of the file is the pattern's first row, so row 0 of an even frame is its
  // second.
  CHECK(cfa("BAYERPAT= 'RGGB'\nROWORDER= 'BOTTOM-UP'", even) == CfaPattern::gbrg);
  CHECK(cfa("BAYERPAT= 'RGGB'\nROWORDER= 'BOTTOM-UP'", odd) == CfaPattern::rggb);
  CHECK(cfa("BAYERPAT= 'RGGB'\nROWORDER= 'BOTTOM-UP'\nYBAYROFF= 1", even) == CfaPattern::rggb);
  CHECK(cfa("BAYERPAT= 'NONE'", even) == CfaPattern::none);
  CHECK(read("BAYERPAT= 'RGGB'", even, 3).cfa == CfaPattern::none);  // colour already in planes
  // By definition: the colour of file pixel (x, y) seen from the top.
  for (const Size size : {even, odd}) {
    const auto pattern = cfa("BAYERPAT= 'GBRG'\nROWORDER= 'BOTTOM-UP'", size);
    for (int y = 0; y < 4; ++y) {
      for (int x = 0; x < 4; ++x) {
        CHECK(cfa_colour(pattern, x, y) == cfa_colour(CfaPattern::gbrg, x, size.height - 1 - y));
      }
    }
  }
}

TEST_CASE("pointings in hours and degrees", "[frame-info]") {
  const auto ra = [](const char* cards) { return read(cards).ra_deg; };
  CHECK(close(ra("RA = '19 11 07.2'\nDEC = '+01 01 33.2'"), 287.78));
  CHECK(close(ra("RA = '19h11m07.2s'\nDEC = '+01d01m33.2s'"), 287.78));
  CHECK(close(ra("RA = 287.78\nDEC = 1.0"), 287.78));
  CHECK(close(ra("RA = '287.78'\nDEC = '1.0'"), 287.78));
  CHECK(close(ra("RA = 19.1853333333333333 / [hours]\nDEC = 1.0"), 287.78, 1e-8));
  CHECK(close(ra("OBJCTRA = '09:02:20'\nOBJCTDEC= '+49:49:19'"), 135.58333333333, 1e-9));
  CHECK(close(read("OBJCTRA = '09:02:20'\nOBJCTDEC= '-00:30:00'").dec_deg, -0.5));
  CHECK(close(ra("CTYPE1 = 'RA---TAN'\nCTYPE2 = 'DEC--TAN'\nCRVAL1 = 12.5\nCRVAL2 = -3"), 12.5));
  CHECK_FALSE(ra("CRVAL1 = 12.5\nCRVAL2 = -3"));  // axes of an unknown kind
  CHECK_FALSE(ra("RA = 12.5"));                   // half a position is none
  // A broken pair gives way to the next one, as a pair.
  const auto info = read("RA = 'x'\nDEC = 40.0\nOBJCTRA = '01 00 00'\nOBJCTDEC= '02 00 00'");
  CHECK(close(info.ra_deg, 15.0));
  CHECK(close(info.dec_deg, 2.0));
  CHECK(close(read("SITELONG= 289.03").site_longitude_deg, -70.97));
  CHECK(close(read("LONGITUD= 70.97 / west longitude").site_longitude_deg, -70.97));
  CHECK(close(read("OBSGEO-L= -70.7\nOBSGEO-B= -30.2").site_longitude_deg, -70.7));
}

TEST_CASE("start times in all their forms", "[frame-info]") {
  const auto start = [](const char* cards) { return read(cards).start_text; };
  CHECK(start("DATE-OBS= '2022-10-29T22:11:33'") == "2022-10-29T22:11:33");
  CHECK(start("DATE-OBS= '2022-10-29 22:11:33.5'") == "2022-10-29T22:11:33.5");
  CHECK(start("DATE-OBS= '2022/10/29T22:11:33'") == "2022-10-29T22:11:33");
  CHECK(start("DATE-OBS= '2022-10-29'\nTIME-OBS= '22:11:33'") == "2022-10-29T22:11:33");
  CHECK(start("DATE-OBS= '29/10/98'\nUT = '02:11:33.25'") == "1998-10-29T02:11:33.250");
  CHECK(start("DATE-BEG= '2031-01-01T00:00:00'") == "2031-01-01T00:00:00");
  CHECK(start("JD = 2459882.4246875001") == "2022-10-29T22:11:33");
  CHECK(start("MJD-OBS = 58225.149560185") == "2018-04-17T03:35:22");
  CHECK(start("DATE-END= '2031-01-01T00:05:00'\nEXPTIME= 300") == "2031-01-01T00:00:00");
  const auto date_only = read("DATE-OBS= '2031-01-01'");
  CHECK(date_only.start_text == "2031-01-01");
  CHECK_FALSE(date_only.start_s);  // a moment is not assumed
  CHECK(has(date_only.missing, "start"));
  CHECK_FALSE(read("DATE-OBS= '2031-02-30T00:00:00'").start_s);
  CHECK_FALSE(read("DATE-OBS= '2031-02-03T25:00:00'").start_s);
}

TEST_CASE("calibrated frames are known by explicit cards only", "[frame-info]") {
  CHECK(read("CALSTAT = 'BDF'").is_calibrated);
  CHECK(read("CALSTAT = 'F'").is_calibrated);
  CHECK_FALSE(read("CALSTAT = 'B'").is_calibrated);
  CHECK_FALSE(read("CALSTAT = F").is_calibrated);  // a logical 'no'
  CHECK(read("FLATCOR = 'Oct 29 22:40 with a flat'").is_calibrated);
  CHECK_FALSE(read("FLATCOR = F").is_calibrated);
  const auto told = read("HISTORY dark subtracted at the telescope");
  CHECK_FALSE(told.is_calibrated);
  CHECK(has(told.problems, "HISTORY"));
  CHECK(read("HISTORY taken in the dark").problems.empty());
}

TEST_CASE("hostile headers do no harm", "[frame-info]") {
  Header header;
  for (const char* keyword :
       {"EXPTIME", "DATE-OBS", "RA", "DEC", "BIASSEC", "CCDSUM", "BAYERPAT", "GAIN", "SITELAT",
        "IMAGETYP", "MJD-OBS", "XBAYROFF", "FILTER", "TRIMSEC"}) {
    for (const char* value : {"1e308", "-1e308", "99999999999999999999", "[1:99999999999,1:2]",
                              "[::,::]", "::::", "--5", "\x1b[31m", "'", "[]", "[,]",
                              "2031-99-99T99:99:99", "/", "//", "[-5:-1,-9:9]"}) {
      Header one;
      one.add({keyword, value, "", Card::Type::text});
      const auto info = interpret_header(one, {10, 10}, 1, value);
      for (const auto& problem : info.problems) CHECK(problem.find('\x1b') == std::string::npos);
      if (info.bias_section) CHECK(whole({10, 10}).contains(*info.bias_section));
      CHECK(info.binning_x >= 1);
    }
  }
  CHECK(interpret_header(header, {0, 0}, 1).missing.size() >= 5);
}

TEST_CASE("seconds of ISO dates", "[date]") {
  // Julian dates of Meeus 1998, chapter 7; JD 2440587.5 = 1970-01-01.
  const auto jd = [](const char* text) {
    return seconds_from_iso(text).value() / 86400.0 + 2440587.5;
  };
  CHECK(jd("1970-01-01") == 2440587.5);
  CHECK(std::fabs(jd("1957-10-04T19:26:24") - 2436116.31) < 1e-9);
  CHECK(jd("2000-01-01T12:00:00") == 2451545.0);
  CHECK(jd("1999-01-01") == 2451179.5);
  CHECK(jd("1987-01-27") == 2446822.5);
  CHECK(jd("1987-06-19T12:00:00") == 2446966.0);
  CHECK(jd("1988-01-27") == 2447187.5);
  CHECK(jd("1988-06-19T12:00") == 2447332.0);
  CHECK(jd("1900-01-01") == 2415020.5);
  CHECK(jd("1600-01-01") == 2305447.5);
  CHECK(jd("1600-12-31") == 2305812.5);
  // ERFA: 2003-06-01 = MJD 52791.
  CHECK(jd("2003-06-01") - 2400000.5 == 52791.0);
  CHECK(seconds_from_iso("2031-03-14T21:03:11.25Z").value() ==
        seconds_from_iso("2031-03-14T21:03:11.25").value());
  CHECK(seconds_from_iso("2031-03-14T23:03:11+02:00").value() ==
        seconds_from_iso("2031-03-14T21:03:11").value());
  CHECK(seconds_from_iso("2016-12-31T23:59:60").value() ==
        seconds_from_iso("2017-01-01T00:00:00").value());  // a leap second
  for (const char* text :
       {"", "2031", "2031-03", "2031-02-29", "2031-13-01", "2031-03-14X", "2031-03-14T",
        "2031-03-14T24:00:01", "2031-03-14T21:60:00", "2031-03-14T21:03:61", "2031-03-14T21:03:11x",
        "31-03-14", "2031-3-14", "0000-01-01"}) {
    INFO(text);
    CHECK_FALSE(seconds_from_iso(text));
  }
}

TEST_CASE("seconds become ISO text and come back", "[date]") {
  CHECK(iso_from_seconds(0.0) == "1970-01-01T00:00:00");
  CHECK(iso_from_seconds(-0.6) == "1969-12-31T23:59:59");
  CHECK(iso_from_seconds(0.6) == "1970-01-01T00:00:01");
  CHECK(iso_from_seconds(951782400.0) == "2000-02-29T00:00:00");
  CHECK(iso_from_seconds(std::nan("")).empty());
  CHECK(iso_from_seconds(1e30).empty());
  for (double s = -3.1e9; s < 6e9; s += 86399.0 * 997.0) {
    CHECK(seconds_from_iso(iso_from_seconds(s)).value() == std::floor(s + 0.5));
  }
}

TEST_CASE("nights change at local noon", "[date]") {
  const auto night = [](const char* text, std::optional<double> longitude) {
    return night_of(seconds_from_iso(text).value(), longitude);
  };
  CHECK(night("2031-03-14T21:03:11", {}) == "2031-03-14");
  CHECK(night("2031-03-15T03:00:00", {}) == "2031-03-14");
  CHECK(night("2031-03-15T11:59:59", {}) == "2031-03-14");
  CHECK(night("2031-03-15T12:00:00", {}) == "2031-03-15");
  // 90 degrees west: local time is six hours behind, noon at 18h UTC.
  CHECK(night("2031-03-15T17:59:59", -90.0) == "2031-03-14");
  CHECK(night("2031-03-15T18:00:00", -90.0) == "2031-03-15");
  CHECK(night("2031-03-15T04:00:00", -90.0) == "2031-03-14");
  CHECK(night("2031-03-14T14:00:00", 150.0) == "2031-03-14");  // after midnight in the east
  CHECK(night("2031-01-01T02:00:00", 10.0) == "2030-12-31");
}

TEST_CASE("positions of another equinox are brought to J2000", "[frame-info]") {
  // astropy 5.2: FK5 of that equinox to FK5 J2000. The first is Meeus 1998, example 21.b,
  // backwards (41.054063, +49.227750; from memory).
  const double table[][5] = {
      {41.547214, 49.348483, 2028.86705, 41.054090372, 49.227758496},
      {287.78, 1.0259, 2031.2, 287.383130586, 0.973434122},
      {120.0, -89.5, 2050.0, 140.121681591, -89.317883497},
      {0.001, 30.0, 1980.0, 0.257361845, 30.111348388},
  };
  for (const auto& row : table) {
    const auto info = read("RA = " + std::to_string(row[0]) + "\nDEC = " + std::to_string(row[1]) +
                           "\nEQUINOX = " + std::to_string(row[2]));
    // astropy takes the newer rates of Capitaine et al. 2003: 0.3 arcsec a century apart.
    constexpr double tolerance = 5e-5;
    CHECK(close(info.ra_deg, row[3], tolerance / std::cos(row[4] * std::numbers::pi / 180.0)));
    CHECK(close(info.dec_deg, row[4], tolerance));
  }
  CHECK(close(read("RA = 10.0\nDEC = 20.0\nEQUINOX = 'J2000'").ra_deg, 10.0));
  CHECK(close(read("RA = 10.0\nDEC = 20.0\nEQUINOX = 'unknown'").ra_deg, 10.0));
}
