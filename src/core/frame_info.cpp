#include "coldframe/core/frame_info.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/units.hpp"
#include "header_reader.hpp"
#include "header_values.hpp"

namespace coldframe {

using detail::Fact;
using detail::HeaderReader;

std::optional<double> FrameInfo::arcsec_per_px() const noexcept {
  if (wcs_arcsec_per_px && *wcs_arcsec_per_px > 0.0) return wcs_arcsec_per_px;
  if (!focal_length_mm || !pixel_size_um || !(*focal_length_mm > 0.0) || !(*pixel_size_um > 0.0)) {
    return header_arcsec_per_px;
  }
  return pixel_scale_arcsec(*pixel_size_um, *focal_length_mm);
}

namespace {

// A positive number in a card where zero means that nobody filled it in.
std::optional<double> positive(HeaderReader& reader, Fact fact, double most) {
  const auto value = reader.number(fact, 0.0, most);
  return value && *value > 0.0 ? value : std::nullopt;
}

void read_exposure(HeaderReader& reader, FrameInfo& info) {
  constexpr double longest_s = 1e6;
  for (const auto& [card, factor] : reader.cards(Fact::exposure)) {
    const auto value = HeaderReader::number_of(*card);
    if (!value) {
      if (!detail::says_nothing(card->value)) reader.reject(*card, "not a number");
      continue;
    }
    const auto comment = detail::lower(card->comment);
    const auto text = detail::lower(card->value);
    const bool ms = comment.find("[ms]") != std::string::npos ||
                    comment.find("millisec") != std::string::npos || text.ends_with("ms");
    const double seconds = *value * factor * (ms ? 1e-3 : 1.0);
    if (seconds >= 0.0 && seconds <= longest_s) {
      info.exposure_s = seconds;
      return;
    }
    reader.reject(*card, "not an exposure time");
  }
}

// Celsius; above 150 the number can only be Kelvin.
std::optional<double> temperature(HeaderReader& reader, Fact fact) {
  constexpr double kelvin = 273.15;
  const auto value = reader.number(fact, -kelvin, 400.0);
  return value && *value > 150.0 ? std::optional(*value - kelvin) : value;
}

std::optional<int> bin_count(HeaderReader& reader, Fact fact) {
  const auto value = reader.number(fact, 1.0, 64.0);
  if (!value || std::floor(*value) != *value) return std::nullopt;
  return static_cast<int>(*value);
}

// "2 2", "2x2", "2,2" or "2".
void read_binning_pair(HeaderReader& reader, FrameInfo& info) {
  for (const auto& found : reader.cards(Fact::binning_pair)) {
    std::vector<int> numbers;
    bool in_number = false;
    for (const char c : found.card->value) {
      const bool digit = c >= '0' && c <= '9';
      if (digit && !in_number) numbers.push_back(0);
      if (digit) numbers.back() = std::min(numbers.back() * 10 + (c - '0'), 1000);
      in_number = digit;
      if (c == '.') break;  // "2.0": one number
    }
    if (numbers.empty() || numbers.size() > 2 || numbers[0] < 1 || numbers[0] > 64 ||
        numbers.back() < 1 || numbers.back() > 64) {
      reader.reject(*found.card, "not a binning");
      continue;
    }
    info.binning_x = numbers[0];
    info.binning_y = numbers.back();
    return;
  }
}

void read_binning(HeaderReader& reader, FrameInfo& info) {
  const auto x = bin_count(reader, Fact::binning_x);
  const auto y = bin_count(reader, Fact::binning_y);
  if (!x && !y) return read_binning_pair(reader, info);
  info.binning_x = x.value_or(*(y ? y : x));
  info.binning_y = y.value_or(info.binning_x);
}

std::string read_filter(const HeaderReader& reader) {
  auto filter = reader.text(Fact::filter);
  if (!filter.empty()) return filter;
  std::string empty_slots;
  for (const auto& found : reader.cards(Fact::filter_wheel)) {
    if (detail::says_nothing(found.card->value)) continue;
    const auto name = std::string(detail::trimmed(found.card->value));
    const auto word = detail::letters_of(name);
    if (word == "air" || word == "open" || word == "clear" || word == "empty" || word == "hole") {
      empty_slots = name;
    } else {
      filter += (filter.empty() ? "" : "+") + name;
    }
  }
  return filter.empty() ? empty_slots : filter;
}

std::optional<Rect> read_section(HeaderReader& reader, Fact fact, Size size) {
  for (const auto& found : reader.cards(fact)) {
    if (detail::says_nothing(found.card->value)) continue;
    const auto rect = detail::parse_section(found.card->value, size);
    if (!rect) {
      reader.reject(*found.card, "not a section of the form [x1:x2,y1:y2]");
    } else if (rect->empty() || !whole(size).contains(*rect)) {
      reader.reject(*found.card, "reaches outside the frame");
    } else {
      return rect;
    }
  }
  return std::nullopt;
}

// Some writers give the pixel as recorded, some the sensor's own: the comment or a second card of
// the sensor's own size tells (common practice, no source).
void read_pixel_size(HeaderReader& reader, FrameInfo& info) {
  info.pixel_size_um = positive(reader, Fact::pixel_size, 1e3);
  const auto bare = positive(reader, Fact::bare_pixel_size, 1e3);
  if (!info.pixel_size_um) {
    if (bare) info.pixel_size_um = *bare * info.binning_x;
    return;
  }
  if (info.binning_x < 2) return;
  bool unbinned = bare && std::fabs(*bare / *info.pixel_size_um - 1.0) < 0.01;
  for (const auto& found : reader.cards(Fact::pixel_size)) {
    const auto comment = detail::lower(found.card->comment);
    for (const std::string_view word :
         {"unbinned", "without bin", "before bin", "w/o bin", "not bin"})
      unbinned = unbinned || comment.find(word) != std::string::npos;
  }
  if (unbinned) *info.pixel_size_um *= info.binning_x;
}

void read_optics(HeaderReader& reader, FrameInfo& info) {
  info.focal_length_mm = positive(reader, Fact::focal_length, 1e6);
  read_pixel_size(reader, info);
  const auto scale = positive(reader, Fact::pixel_scale, 600.0);
  if (scale && *scale > 0.01) info.header_arcsec_per_px = scale;
  const auto airmass = positive(reader, Fact::airmass, 100.0);
  if (airmass && *airmass >= 0.99) info.airmass = airmass;
  info.rotator_deg = reader.number(Fact::rotator, -720.0, 720.0);
  info.focus_position = reader.number(Fact::focus_position, -1e9, 1e9);
  info.focus_temperature_c = temperature(reader, Fact::focus_temperature);
}

bool says_no(std::string_view text) {
  const auto word = detail::letters_of(text);
  return detail::says_nothing(text) || word == "f" || word == "false" || word == "no" ||
         word == "omit" || detail::trimmed(text) == "0";
}

// Calibrated only by explicit cards: CALSTAT with D or F, DARKCOR, FLATCOR. A
// phrase in HISTORY may speak of anything; it is only pointed out.
void read_calibration(HeaderReader& reader, FrameInfo& info) {
  const Card* status = reader.header().find("CALSTAT");
  info.is_calibrated = status != nullptr && status->type != Card::Type::logical &&
                       status->value.find_first_of("DdFf") != std::string::npos;
  for (const auto& found : reader.cards(Fact::calibration_done)) {
    info.is_calibrated = info.is_calibrated || !says_no(found.card->value);
  }
  if (info.is_calibrated) return;
  for (const auto& card : reader.header().cards()) {
    if (card.type != Card::Type::commentary || detail::lower(card.keyword) != "history") continue;
    const auto text = detail::lower(card.value);
    for (const std::string_view phrase : {"dark subtract", "dark-subtract", "subtracted dark",
                                          "flat field", "flat-field", "flatfield", "flat divi"}) {
      if (text.find(phrase) == std::string::npos) continue;
      reader.note("HISTORY speaks of calibration, but no card says that it was done");
      return;
    }
  }
}

void list_missing(FrameInfo& info) {
  const auto want = [&](bool present, const char* name) {
    if (!present) info.missing.emplace_back(name);
  };
  want(info.kind != FrameKind::unknown, "kind");
  want(info.exposure_s || info.kind == FrameKind::bias, "exposure");
  want(!info.camera.empty(), "camera");
  want(info.sensor_temperature_c().has_value(), "temperature");
  want(info.start_s.has_value(), "start");
  want(info.gain_e_per_adu.has_value(), "gain in e/ADU");
  const bool through_glass = info.kind == FrameKind::light || info.kind == FrameKind::flat;
  const bool mono = info.cfa == CfaPattern::none && info.planes == 1;
  want(!info.filter.empty() || !through_glass || !mono, "filter");
}

}  // namespace

FrameInfo interpret_header(const Header& header, Size size, int planes,
                           std::string_view file_name) {
  FrameInfo info;
  info.size = size;
  info.planes = planes;
  HeaderReader reader(header, info.problems);
  detail::read_kind(reader, file_name, info);
  read_exposure(reader, info);
  info.camera = reader.text(Fact::camera);
  info.telescope = reader.text(Fact::telescope);
  info.read_out = reader.text(Fact::read_out);
  info.object = reader.text(Fact::object);
  info.pier_side = reader.text(Fact::pier_side);
  info.filter = read_filter(reader);
  info.temperature_c = temperature(reader, Fact::temperature);
  info.set_temperature_c = temperature(reader, Fact::set_temperature);
  read_binning(reader, info);
  detail::read_sensor_levels(reader, info);
  detail::read_cfa(reader, info);
  read_optics(reader, info);
  detail::read_start(reader, info);
  detail::read_position(reader, info);
  info.bias_section = read_section(reader, Fact::bias_section, size);
  info.trim_section = read_section(reader, Fact::trim_section, size);
  info.data_section = read_section(reader, Fact::data_section, size);
  read_calibration(reader, info);
  list_missing(info);
  return info;
}

}  // namespace coldframe
