// Any bytes as a file: listing, headers, checksums, interpretation, and the way
// of every card back through the formatter. Our own Error is an answer; anything else is a find.
#include <algorithm>
#include <cstdlib>

#include "coldframe/core/error.hpp"
#include "coldframe/core/frame_info.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "fits/cards.hpp"
#include "fits/input_file.hpp"

namespace {

/// Written cards must be whole lines of printable characters and keep their
/// value (text outside ASCII excepted) when read back.
void check_round_trip(const coldframe::Card& card) {
  std::string text;
  for (const std::string& line : coldframe::fits::detail::format_card(card)) {
    const bool printable =
        std::all_of(line.begin(), line.end(), [](char c) { return c >= ' ' && c <= '~'; });
    if (line.size() != coldframe::fits::detail::card_length || !printable) std::abort();
    text += line;
  }
  const coldframe::Header back = coldframe::fits::detail::parse_cards(text);
  if (card.type == coldframe::Card::Type::commentary) return;  // may be broken into several
  const std::string_view value = coldframe::fits::detail::trimmed_right(card.value);
  const bool ascii =
      std::all_of(value.begin(), value.end(), [](char c) { return c >= ' ' && c <= '~'; });
  if (back.cards().size() != 1 || (ascii && back.cards()[0].value != value)) std::abort();
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  try {
    const auto units = coldframe::fits::list_hdus(file.path());
    for (const auto& unit : units) {
      const auto header = coldframe::fits::read_header(file.path(), unit.number);
      (void)coldframe::interpret_header(header, {100, 100}, 1, "light.fits");
      for (const auto& card : header.cards()) check_round_trip(card);
    }
    (void)coldframe::fits::verify_checksums(file.path());
  } catch (const coldframe::Error&) {
  }
  return 0;
}
