// Where the telescope pointed, where it stood, and when.
#include <fmt/format.h>

#include <cmath>

#include "header_reader.hpp"
#include "header_values.hpp"
#include "precession.hpp"

namespace coldframe::detail {
namespace {

bool mentions(std::string_view text, std::string_view word) {
  return lower(text).find(word) != std::string::npos;
}

// Sexagesimal right ascension is in hours; a plain number in degrees unless the comment says hours.
std::optional<double> right_ascension(const Card& card) {
  const auto angle = parse_angle(card.value);
  if (angle && angle->sexagesimal) return 15.0 * angle->value;
  const auto plain = HeaderReader::number_of(card);
  if (!plain) return std::nullopt;
  return mentions(card.comment, "hour") || mentions(card.comment, "[h]") ? 15.0 * *plain : *plain;
}

std::optional<double> plain_or_sexagesimal(const Card& card) {
  if (const auto plain = HeaderReader::number_of(card)) return plain;
  const auto angle = parse_angle(card.value);
  if (!angle) return std::nullopt;
  return angle->hemisphere == 'S' || angle->hemisphere == 'W' ? -angle->value : angle->value;
}

bool celestial_axes(const Header& header) {
  const auto x = header.text("CTYPE1").value_or("");
  const auto y = header.text("CTYPE2").value_or("");
  return x.starts_with("RA") && y.starts_with("DEC");
}

// Julian year of the equinox: EQUINOX (a number, also "J2000"), J2000 when silent.
double equinox_of(const Header& header) {
  const auto text = header.text("EQUINOX").value_or("");
  Card digits{"EQUINOX", std::string(trimmed(text)), "", Card::Type::real};
  std::erase_if(digits.value, [](char c) { return c == 'J' || c == 'j' || c == 'B' || c == 'b'; });
  const double year = HeaderReader::number_of(digits).value_or(2000.0);
  return year > 1800.0 && year < 2200.0 ? year : 2000.0;
}

void read_pointing(HeaderReader& reader, FrameInfo& info) {
  for (const auto& pair : pointing_pairs()) {
    if (pair.needs_celestial_axes && !celestial_axes(reader.header())) continue;
    const Card* ra_card = reader.header().find(pair.ra);
    const Card* dec_card = reader.header().find(pair.dec);
    if (ra_card == nullptr || dec_card == nullptr || says_nothing(ra_card->value) ||
        says_nothing(dec_card->value)) {
      continue;
    }
    const auto ra = right_ascension(*ra_card);
    const auto dec = plain_or_sexagesimal(*dec_card);
    if (!ra || !(*ra >= -180.0 && *ra <= 360.0)) {
      reader.reject(*ra_card, "not a right ascension");
    } else if (!dec || !(std::fabs(*dec) <= 90.0)) {
      reader.reject(*dec_card, "not a declination");
    } else {
      SkyPoint position{*ra < 0.0 ? *ra + 360.0 : std::fmod(*ra, 360.0), *dec};
      const double equinox = equinox_of(reader.header());
      if (equinox != 2000.0) position = precess_to_j2000(position, equinox);
      info.ra_deg = position.ra_deg;
      info.dec_deg = position.dec_deg;
      return;
    }
  }
}

void read_site(HeaderReader& reader, FrameInfo& info) {
  for (const auto& found : reader.cards(Fact::site_latitude)) {
    if (says_nothing(found.card->value) || info.site_latitude_deg) continue;
    const auto value = plain_or_sexagesimal(*found.card);
    if (value && std::fabs(*value) <= 90.0) {
      info.site_latitude_deg = value;
    } else {
      reader.reject(*found.card, "not a latitude");
    }
  }
  for (const auto& found : reader.cards(Fact::site_longitude)) {
    if (says_nothing(found.card->value) || info.site_longitude_deg) continue;
    auto value = plain_or_sexagesimal(*found.card);
    if (!value || !(*value >= -180.0 && *value <= 360.0)) {
      reader.reject(*found.card, "not a longitude");
      continue;
    }
    // Some writers count west positive and say so; FITS 4.0 counts east positive.
    if (mentions(found.card->comment, "west") && !mentions(found.card->comment, "east")) {
      value = -*value;
      reader.reject(*found.card, "counted positive to the west by its comment; taken so");
    }
    info.site_longitude_deg =
        *value > 180.0 ? *value - 360.0 : (*value < -180.0 ? *value + 360.0 : *value);
  }
}

bool set_start(FrameInfo& info, std::string text) {
  const auto seconds = seconds_from_iso(text);
  if (!seconds) return false;
  info.start_s = seconds;
  info.start_text = std::move(text);
  return true;
}

// The time of day from a card of its own, as "hh:mm:ss.s".
std::optional<std::string> time_card(const HeaderReader& reader) {
  for (const auto& found : reader.cards(Fact::start_time)) {
    auto text = std::string(trimmed(found.card->value));
    if (const auto t = text.find('T'); t != std::string::npos) text.erase(0, t + 1);
    if (auto time = parse_time_of_day(text)) return time;
  }
  return std::nullopt;
}

// One date card; true when it settled the start.
bool start_from_card(HeaderReader& reader, const Card& card, FrameInfo& info) {
  const auto text = trimmed(card.value);
  const auto cut = text.find_first_of("Tt ");
  const auto date = parse_date(text.substr(0, cut));
  if (!date) {
    reader.reject(card, "not a date");
    return false;
  }
  if (cut != std::string_view::npos) {
    const auto clock = std::string(trimmed(text.substr(cut + 1)));
    if (set_start(info, *date + "T" + clock)) return true;
    const auto loose = parse_time_of_day(clock);  // "3:05:07", one digit for the hour
    if (loose && set_start(info, *date + "T" + *loose)) return true;
    reader.reject(card, "not a time of day");
    return false;
  }
  if (const auto time = time_card(reader)) return set_start(info, *date + "T" + *time);
  if (info.start_text.empty()) info.start_text = *date;
  return false;
}

bool start_from_julian(HeaderReader& reader, FrameInfo& info) {
  constexpr double jd_1970 = 2440587.5;
  constexpr double mjd_1970 = 40587.0;
  constexpr double day_s = 86400.0;
  // 1858 to 2500: outside it the number is no date of a photograph.
  auto days = reader.number(Fact::modified_julian_date, 1.0, 234000.0);
  if (days) {
    info.start_s = (*days - mjd_1970) * day_s;
  } else if (days = reader.number(Fact::julian_date, 2400001.0, 2634167.0); days) {
    info.start_s = (*days - jd_1970) * day_s;
  } else {
    return false;
  }
  info.start_text = iso_from_seconds(*info.start_s);
  return true;
}

bool start_from_end(HeaderReader& reader, FrameInfo& info) {
  const auto cards = reader.cards(Fact::end_date);
  if (cards.empty() || !info.exposure_s) return false;
  const auto end = seconds_from_iso(cards.front().card->value);
  if (!end || trimmed(cards.front().card->value).size() <= 10) return false;
  info.start_s = *end - *info.exposure_s;
  info.start_text = iso_from_seconds(*info.start_s);
  reader.reject(*cards.front().card,
                "the only time given; the start is taken one exposure before it");
  return true;
}

}  // namespace

void read_start(HeaderReader& reader, FrameInfo& info) {
  for (const auto& found : reader.cards(Fact::start_date)) {
    if (!says_nothing(found.card->value) && start_from_card(reader, *found.card, info)) return;
  }
  if (start_from_julian(reader, info) || start_from_end(reader, info)) return;
  if (!info.start_text.empty()) reader.note("the date of the frame has no time of day");
}

void read_position(HeaderReader& reader, FrameInfo& info) {
  read_pointing(reader, info);
  read_site(reader, info);
}

}  // namespace coldframe::detail
