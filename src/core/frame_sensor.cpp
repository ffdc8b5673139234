// Electronic facts of a frame: gain, noise, levels, colour filter array.
#include <algorithm>
#include <array>
#include <cctype>
#include <cmath>

#include "header_reader.hpp"
#include "header_values.hpp"

namespace coldframe::detail {
namespace {

// Does a comment say "electrons per ADU" in so many words?
bool says_electrons_per_adu(std::string_view comment) {
  std::string words = lower(comment);
  std::erase_if(words, [](char c) { return c == ' ' || c == '_'; });
  constexpr std::array long_forms{
      "e-/adu",   "electrons/adu",   "electron/adu",   "electronsperadu",   "e-peradu",
      "e-/dn",    "electrons/dn",    "electron/dn",    "electronsperdn",    "electronperadu",
      "e-/count", "electrons/count", "electron/count", "electronspercount", "elec/adu"};
  for (const std::string_view form : long_forms) {
    if (words.find(form) != std::string::npos) return true;
  }
  // A bare "e" must stand alone, so that no other word's last letter is taken for it.
  std::string spaced(1, ' ');
  spaced += lower(comment);
  for (const std::string_view form : {"e/adu", "e/dn", "e / adu"}) {
    const auto at = spaced.find(form);
    if (at != std::string::npos && std::isalpha(static_cast<unsigned char>(spaced[at - 1])) == 0) {
      return true;
    }
  }
  return false;
}

bool mentions(std::string_view text, std::string_view word) {
  return lower(text).find(word) != std::string::npos;
}

void read_gain(HeaderReader& reader, FrameInfo& info) {
  constexpr double least = 1e-4;
  constexpr double most = 1e4;
  info.gain_e_per_adu = reader.number(Fact::electron_gain, least, most);
  for (const auto& found : reader.cards(Fact::gain_setting)) {
    if (info.gain_setting) break;
    const auto value = HeaderReader::number_of(*found.card);
    if (!value) {
      if (!says_nothing(found.card->value)) reader.reject(*found.card, "not a number");
      continue;
    }
    if (!says_electrons_per_adu(found.card->comment)) {
      info.gain_setting = value;
    } else if (!info.gain_e_per_adu && *value >= least && *value <= most) {
      info.gain_e_per_adu = value;
      reader.reject(
          *found.card,
          "its comment says electrons per ADU; taken as that and not as a driver's setting");
    }
  }
}

void read_read_noise(HeaderReader& reader, FrameInfo& info) {
  for (const auto& found : reader.cards(Fact::read_noise)) {
    const auto value = HeaderReader::number_of(*found.card);
    if (value && *value == 0.0) continue;  // a placeholder
    const auto& comment = found.card->comment;
    const bool adu = (mentions(comment, "adu") || mentions(comment, "count")) &&
                     !mentions(comment, "e-") && !mentions(comment, "electron");
    if (!value || !(*value > 0.0 && *value < 1e4)) {
      reader.reject(*found.card, "not a read noise");
    } else if (!adu) {
      info.read_noise_e = value;
      return;
    } else if (info.gain_e_per_adu) {
      info.read_noise_e = *value * *info.gain_e_per_adu;
      return;
    } else {
      reader.reject(*found.card, "in ADU by its comment, and the gain is not known");
    }
  }
}

}  // namespace

void read_sensor_levels(HeaderReader& reader, FrameInfo& info) {
  read_gain(reader, info);
  read_read_noise(reader, info);
  info.offset_setting = reader.number(Fact::offset_setting, -1e9, 1e9);
  for (const auto& found : reader.cards(Fact::saturation)) {
    const auto value = HeaderReader::number_of(*found.card);
    if (value && *value == 0.0) continue;
    if (!value || !(*value > 0.0 && *value < 1e12)) {
      reader.reject(*found.card, "not a saturation level");
    } else if (mentions(found.card->comment, "electron") || mentions(found.card->comment, "e-")) {
      reader.reject(*found.card, "in electrons by its comment; not used");
    } else {
      info.saturation_adu = value;
      break;
    }
  }
  if (const auto most = reader.header().real("DATAMAX"); most && *most > 0.0 && *most < 1e12) {
    info.data_max_adu = most;
  }
  info.pedestal_adu = reader.header().real("PEDESTAL");
}

void read_cfa(HeaderReader& reader, FrameInfo& info) {
  if (info.planes != 1) return;  // colour already in planes
  CfaPattern pattern = CfaPattern::none;
  for (const auto& found : reader.cards(Fact::cfa_pattern)) {
    const auto text = trimmed(found.card->value);
    pattern = cfa_from_string(text);
    if (pattern != CfaPattern::none) break;
    const auto word = letters_of(text);
    const bool mono = says_nothing(text) || word == "mono" || word == "monochrome" || word == "f";
    // COLORTYP and CFATYPE hold other things as well; BAYERPAT means a pattern.
    if (!mono && mentions(found.card->keyword, "pat")) {
      reader.reject(*found.card, "not a colour filter pattern of red, green and blue");
    }
  }
  if (pattern == CfaPattern::none) return;
  const auto dx =
      static_cast<int>(std::lround(reader.number(Fact::cfa_offset_x, -1e6, 1e6).value_or(0.0)));
  int dy =
      static_cast<int>(std::lround(reader.number(Fact::cfa_offset_y, -1e6, 1e6).value_or(0.0)));
  // ROWORDER: the pattern names the top row first. TOP-DOWN (also when silent; common
  // practice, no source): that is the file's first row. BOTTOM-UP: it is the last one.
  const auto order = letters_of(reader.header().text("ROWORDER").value_or(""));
  if (order == "bottomup") {
    dy += info.size.height - 1;
  } else if (!order.empty() && order != "topdown") {
    reader.note("ROWORDER is neither TOP-DOWN nor BOTTOM-UP; taken as TOP-DOWN");
  }
  info.cfa = cfa_shifted(pattern, dx & 1, dy & 1);
  if (info.binning_x > 1 || info.binning_y > 1) {
    reader.note("a colour filter pattern together with binning; the pattern is taken as it stands");
  }
}

}  // namespace coldframe::detail
