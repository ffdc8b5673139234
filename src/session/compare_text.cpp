// A comparison in words, as JSON and as a page.
#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/compare.hpp"
#include "coldframe/view/comparison_page.hpp"
#include "coldframe/view/picture.hpp"
#include "compare_pictures.hpp"
#include "json_parts.hpp"

namespace coldframe::session {
namespace {

using nlohmann::ordered_json;

constexpr int picture_px = 700;

std::string figure(double value) {
  return std::isfinite(value) ? fmt::format("{:.4g}", value) : std::string("-");
}

std::string with_error(const Compared& f) {
  return fmt::format("{:.4g} +- {:.2g}", f.ratio, f.error);
}

ordered_json side_json(const Setup& s) {
  return {{"result", s.result.string()},
          {"filter", s.filter},
          {"exposure_s", s.exposure_s},
          {"subs", s.subs},
          {"subs_kept", s.kept},
          {"arcsec_per_px", or_null(s.arcsec_per_px)},
          {"zero_point_mag", or_null(s.zero_point_mag)},
          {"limiting_mag", or_null(s.limiting_mag)}};
}

void add_side(std::string& text, const char* letter, const Setup& s) {
  text +=
      fmt::format("{}  {}\n   {} of {} subs, {:.2f} hours{}\n", letter, printable(s.name), s.kept,
                  s.subs, s.exposure_s / 3600.0,
                  s.limiting_mag ? fmt::format(", stars to {:.2f} mag at 5 sigma", *s.limiting_mag)
                                 : std::string());
}

}  // namespace

std::string comparison_text(const Comparison& c) {
  std::string text;
  add_side(text, "a", c.a);
  add_side(text, "b", c.b);
  text += fmt::format("   {} stars in common\n\n", c.common_stars);
  text += fmt::format("{:<30}{:>10}{:>10}  {:<18}{}\n", "", "a", "b", "b per a", "");
  for (const auto& f : c.figures) {
    text += fmt::format("{:<30}{:>10}{:>10}  {:<18}{}\n", f.name, figure(f.a), figure(f.b),
                        with_error(f), f.shown ? "" : "no difference shown");
  }
  text += "\n";
  for (const auto& line : c.verdict) text += line + "\n";
  for (const auto& note : c.notes) text += "Note: " + printable(note) + "\n";
  return text;
}

std::string comparison_json(const Comparison& c) {
  auto figures = ordered_json::array();
  for (const auto& f : c.figures) {
    figures.push_back({{"code", f.code},
                       {"name", f.name},
                       {"unit", f.unit},
                       {"a", std::isfinite(f.a) ? ordered_json(f.a) : ordered_json(nullptr)},
                       {"b", std::isfinite(f.b) ? ordered_json(f.b) : ordered_json(nullptr)},
                       {"ratio", f.ratio},
                       {"ratio_error", f.error},
                       {"difference_shown", f.shown}});
  }
  return json_text({{"a", side_json(c.a)},
                    {"b", side_json(c.b)},
                    {"common_stars", c.common_stars},
                    {"transform_b_to_a", transform_json(c.match.transform)},
                    {"figures", figures},
                    {"verdict", c.verdict},
                    {"notes", c.notes}});
}

std::string comparison_page(const Comparison& c) {
  view::ComparisonPage page;
  page.title = "Two set-ups compared";
  page.name_a = c.a.name;
  page.name_b = c.b.name;
  page.verdict = c.verdict;
  page.notes = c.notes;
  const auto pair = picture_pair(c, picture_px);
  page.png_a_base64 = view::base64(pair.a_png);
  page.png_b_base64 = view::base64(pair.b_png);
  page.picture_words =
      "The same piece of sky on the grid of a, light of b brought to that of a by the stars both "
      "show, one stretch for both.";
  for (const auto& f : c.figures) {
    page.rows.push_back(
        {f.name, f.unit, figure(f.a), figure(f.b), with_error(f), f.words, f.shown});
  }
  return view::comparison_html(page);
}

void write_comparison(const Comparison& comparison, const std::filesystem::path& page) {
  if (page.has_parent_path()) fits::make_folder(page.parent_path());
  fits::write_file_atomically(page, comparison_page(comparison));
}

}  // namespace coldframe::session
