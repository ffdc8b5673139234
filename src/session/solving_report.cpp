// What solving found, as cards, JSON and text.
#include <fmt/format.h>

#include <cmath>

#include "coldframe/core/version.hpp"
#include "json_parts.hpp"
#include "solving_parts.hpp"

namespace coldframe::session {

using nlohmann::ordered_json;

namespace {

ordered_json text_or_null(const std::string& text) {
  return text.empty() ? ordered_json(nullptr) : ordered_json(text);
}

SkyPoint middle_of(const SolvedImage& solved) {
  return solved.plate.wcs.to_sky(solved.plate.wcs.centre);
}

void add_depth_cards(const Depth& depth, Header& header) {
  if (!depth.zero_point) return;
  const auto& zero = *depth.zero_point;
  header.set("MAGZERO", zero.magnitude.value, "[mag] of a source of one unit per second");
  header.set("MAGZERR", zero.magnitude.error, "[mag] standard error of MAGZERO");
  header.set("MAGZSCAT", zero.scatter, "[mag] scatter of single stars");
  header.set("MAGZN", zero.stars, "stars that MAGZERO rests on");
  header.set("MAGBAND", std::string_view(depth.magnitude_name), "catalogue column");
  if (zero.colour_term) {
    header.set("MAGCTERM", zero.colour_term->value, "change of MAGZERO per mag of colour");
    header.set("MAGCTERR", zero.colour_term->error, "standard error of MAGCTERM");
    header.set("MAGCPIV", zero.colour_pivot, "[mag] colour that MAGZERO holds for");
    header.set("MAGCOL", std::string_view(depth.colour_name), "catalogue colour");
  }
  if (depth.sky_mag_arcsec2) {
    header.set("SKYMAG", *depth.sky_mag_arcsec2, "[mag/arcsec2] of the sky");
  }
  if (depth.limiting_mag) header.set("MAGLIM", *depth.limiting_mag, "[mag] 5 sigma, point source");
  if (depth.limiting_mag_arcsec2) {
    header.set("SBLIM", *depth.limiting_mag_arcsec2, "[mag/arcsec2] 3 sigma in 10 x 10 arcsec");
  }
}

}  // namespace

Header solved_cards(const SolvedImage& solved) {
  Header header;
  if (!solved.solved()) return header;
  sky::write_solution(header, solved.plate.wcs);
  header.set("CFWCSRMS", solved.plate.rms_arcsec, "[arcsec] rms residual of the solution");
  header.set("CFWCSN", solved.plate.used, "stars in the solution");
  header.set("CFWCSCAT", std::string_view(solved.catalogue), "catalogue of the solution");
  add_depth_cards(solved.depth, header);
  return header;
}

ordered_json wcs_json(const sky::TanSip& wcs) {
  Header header;
  sky::write_solution(header, wcs);
  ordered_json json = ordered_json::object();
  for (const auto& card : header.cards()) {
    if (card.type == Card::Type::text) {
      json[card.keyword] = card.value;
    } else if (card.type == Card::Type::integer) {
      json[card.keyword] = *header.integer(card.keyword);
    } else {
      json[card.keyword] = *header.real(card.keyword);
    }
  }
  return json;
}

ordered_json solution_json(const SolvedImage& solved) {
  if (!solved.solved()) return nullptr;
  const auto middle = middle_of(solved);
  const auto& plate = solved.plate;
  return {{"ra_deg", middle.ra_deg},
          {"dec_deg", middle.dec_deg},
          {"arcsec_per_px", plate.wcs.arcsec_per_px()},
          {"north_deg", plate.wcs.north_deg()},
          {"mirrored", plate.wcs.mirrored()},
          {"distortion_order", plate.wcs.order()},
          {"stars", plate.used},
          {"catalogue_stars", plate.catalogue_stars},
          {"rms_px", plate.rms_px},
          {"rms_arcsec", plate.rms_arcsec},
          {"offset_deg", plate.offset_deg},
          {"false_probability", plate.false_probability},
          {"catalogue", solved.catalogue},
          {"cards", wcs_json(plate.wcs)}};
}

ordered_json depth_json(const Depth& depth) {
  ordered_json json;
  const auto& zero = depth.zero_point;
  json["zero_point_mag"] = zero ? ordered_json(zero->magnitude.value) : ordered_json(nullptr);
  json["zero_point_error_mag"] = zero ? ordered_json(zero->magnitude.error) : ordered_json(nullptr);
  json["zero_point_scatter_mag"] = zero ? ordered_json(zero->scatter) : ordered_json(nullptr);
  json["zero_point_stars"] = zero ? ordered_json(zero->stars) : ordered_json(nullptr);
  json["magnitude_column"] = text_or_null(depth.magnitude_name);
  json["colour_column"] = text_or_null(depth.colour_name);
  const bool term = zero && zero->colour_term;
  json["colour_term"] = term ? ordered_json(zero->colour_term->value) : ordered_json(nullptr);
  json["colour_term_error"] = term ? ordered_json(zero->colour_term->error) : ordered_json(nullptr);
  json["colour_pivot_mag"] = term ? ordered_json(zero->colour_pivot) : ordered_json(nullptr);
  json["sky_mag_arcsec2"] = or_null(depth.sky_mag_arcsec2);
  json["limiting_mag"] = or_null(depth.limiting_mag);
  json["limiting_mag_arcsec2"] = or_null(depth.limiting_mag_arcsec2);
  json["growth"] = ordered_json::array();
  for (const auto& point : depth.growth) {
    json["growth"].push_back({{"exposure_s", point.exposure_s}, {"limiting_mag", point.magnitude}});
  }
  return json;
}

ordered_json extinction_json(const sky::Extinction& e) {
  return {{"mag_per_airmass", e.mag_per_airmass.value},
          {"error", e.mag_per_airmass.error},
          {"scatter_mag", e.scatter},
          {"airmass_low", e.airmass_low},
          {"airmass_high", e.airmass_high},
          {"subs", e.used},
          {"left_out", e.left_out}};
}

ordered_json balance_json(const sky::ColourBalance& b) {
  return {{"red", b.red},
          {"green", b.green},
          {"blue", b.blue},
          {"red_error", b.red_error},
          {"blue_error", b.blue_error},
          {"stars", b.stars},
          {"method", b.from_catalogue ? "catalogue" : "mean-star"},
          {"white_colour_mag", b.from_catalogue ? ordered_json(b.white_colour) : nullptr}};
}

std::string solved_json(const SolvedImage& image) {
  ordered_json json = {{"coldframe", version()},           {"schema", 1},
                       {"solved", image.solved()},         {"why_not", text_or_null(image.why_not)},
                       {"solution", solution_json(image)}, {"depth", depth_json(image.depth)}};
  json["colour_balance"] = image.balance ? balance_json(*image.balance) : ordered_json(nullptr);
  json["notes"] = image.notes;
  return json_text(json);
}

std::string solved_text(const SolvedImage& image) {
  if (!image.solved()) return "not solved: " + image.why_not + "\n";
  const auto& plate = image.plate;
  const auto middle = middle_of(image);
  std::string text = fmt::format(
      "centre {:.5f} {:+.5f} deg, {:.4f} arcsec/px, north {:.2f} deg from the right (90 is up){}, "
      "distortion order {}\n"
      "{} stars, residual {:.3f} px = {:.3f} arcsec rms\n",
      middle.ra_deg, middle.dec_deg, plate.wcs.arcsec_per_px(), plate.wcs.north_deg(),
      plate.wcs.mirrored() ? ", mirrored" : "", plate.wcs.order(), plate.used, plate.rms_px,
      plate.rms_arcsec);
  const auto& depth = image.depth;
  if (depth.zero_point) {
    const auto& zero = *depth.zero_point;
    text += fmt::format("zero point {:.3f} +- {:.3f} mag ({}, {} stars, scatter {:.3f})",
                        zero.magnitude.value, zero.magnitude.error, depth.magnitude_name,
                        zero.stars, zero.scatter);
    if (zero.colour_term) {
      text += fmt::format(", colour term {:+.3f} +- {:.3f} per mag of {}", zero.colour_term->value,
                          zero.colour_term->error, depth.colour_name);
    }
    text += "\n";
  }
  if (depth.sky_mag_arcsec2) {
    text += fmt::format("sky {:.2f} mag/arcsec^2\n", *depth.sky_mag_arcsec2);
  }
  if (depth.limiting_mag) {
    text += fmt::format(
        "limits: {:.2f} mag (5 sigma, stars), {:.2f} mag/arcsec^2 (3 sigma in "
        "10 x 10 arcsec)\n",
        *depth.limiting_mag, *depth.limiting_mag_arcsec2);
  }
  for (const auto& note : image.notes) text += "note: " + note + "\n";
  return text;
}

}  // namespace coldframe::session
