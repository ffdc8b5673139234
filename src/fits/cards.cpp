#include "fits/cards.hpp"

#include <algorithm>
#include <array>
#include <utility>

namespace coldframe::fits::detail {
namespace {

bool is_digit(char c) noexcept { return c >= '0' && c <= '9'; }

/// Whether bytes from 0x80 up form whole UTF-8 sequences (overlong forms are not looked for).
bool is_utf8(std::string_view text) noexcept {
  for (std::size_t i = 0; i < text.size();) {
    const auto lead = static_cast<unsigned char>(text[i]);
    const std::size_t length = lead < 0x80U                    ? 1
                               : lead >= 0xF0U && lead < 0xF5U ? 4
                               : lead >= 0xE0U && lead < 0xF0U ? 3
                               : lead >= 0xC2U && lead < 0xE0U ? 2
                                                               : 0;
    if (length == 0 || i + length > text.size()) return false;
    for (std::size_t k = 1; k < length; ++k) {
      if ((static_cast<unsigned char>(text[i + k]) & 0xC0U) != 0x80U) return false;
    }
    i += length;
  }
  return true;
}

/// Header text as UTF-8 without control characters: what is not UTF-8 is taken for
/// Latin-1, the usual other choice of drivers that write a degree sign.
std::string clean_text(std::string_view text) {
  const bool keep_high = is_utf8(text);
  std::string clean;
  clean.reserve(text.size());
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte < 0x20U || byte == 0x7FU) {
      clean += ' ';
    } else if (byte < 0x80U || keep_high) {
      clean += c;
    } else {
      clean += static_cast<char>(0xC0U | (byte >> 6U));
      clean += static_cast<char>(0x80U | (byte & 0x3FU));
    }
  }
  return clean;
}

void skip_digits(std::string_view& text, bool& any) noexcept {
  while (!text.empty() && is_digit(text.front())) {
    text.remove_prefix(1);
    any = true;
  }
}

void skip_sign(std::string_view& text) noexcept {
  if (!text.empty() && (text.front() == '+' || text.front() == '-')) text.remove_prefix(1);
}

/// Type of a value that is not in quotes.
Card::Type bare_type(std::string_view text) noexcept {
  if (text == "T" || text == "F") return Card::Type::logical;
  bool digits = false;
  skip_sign(text);
  skip_digits(text, digits);
  if (digits && text.empty()) return Card::Type::integer;
  if (!text.empty() && text.front() == '.') {
    text.remove_prefix(1);
    skip_digits(text, digits);
  }
  if (!digits) return Card::Type::undefined;
  if (text.empty()) return Card::Type::real;
  if (std::string_view("EeDd").find(text.front()) == std::string_view::npos) {
    return Card::Type::undefined;
  }
  text.remove_prefix(1);
  skip_sign(text);
  bool exponent = false;
  skip_digits(text, exponent);
  return exponent && text.empty() ? Card::Type::real : Card::Type::undefined;
}

std::string_view comment_of(std::string_view rest) noexcept {
  rest = trimmed_both(rest);
  if (!rest.empty() && rest.front() == '/') rest.remove_prefix(1);
  return trimmed_both(rest);
}

/// `text` begins at the opening quote; fills value (blanks at its end dropped) and comment.
void read_quoted(std::string_view text, Card& card) {
  std::string value;
  std::size_t i = 1;
  for (; i < text.size(); ++i) {
    if (text[i] != '\'') {
      value += text[i];
    } else if (i + 1 < text.size() && text[i + 1] == '\'') {
      value += '\'';
      ++i;
    } else {
      break;
    }
  }
  card.type = Card::Type::text;
  card.value = std::string(trimmed_right(value));
  card.comment = std::string(comment_of(i < text.size() ? text.substr(i + 1) : ""));
}

void read_value(std::string_view text, Card& card) {
  const auto start = text.find_first_not_of(' ');
  if (start == std::string_view::npos) return;
  text.remove_prefix(start);
  if (text.front() == '\'') {
    read_quoted(text, card);
    return;
  }
  const auto slash = text.find('/');
  card.value = std::string(trimmed_both(text.substr(0, slash)));
  if (slash != std::string_view::npos) card.comment = std::string(comment_of(text.substr(slash)));
  card.type = bare_type(card.value);
}

bool is_commentary(std::string_view keyword) noexcept {
  return keyword.empty() || keyword == "COMMENT" || keyword == "HISTORY";
}

Card parse_card(std::string_view line) {
  Card card;
  card.keyword = std::string(trimmed_right(line.substr(0, 8)));
  if (card.keyword == "HIERARCH") {
    const auto equals = line.find('=');
    const auto name = equals == std::string_view::npos
                          ? std::string_view{}
                          : trimmed_both(line.substr(8, equals - std::min<std::size_t>(8, equals)));
    if (!name.empty()) {
      card.keyword = std::string(name);
      read_value(line.substr(equals + 1), card);
      return card;
    }
  }
  if (!is_commentary(card.keyword) && line.size() > 8 && line[8] == '=') {
    read_value(line.substr(9), card);
    return card;
  }
  card.type = Card::Type::commentary;
  card.value = std::string(trimmed_right(line.substr(8)));
  return card;
}

/// Joins a CONTINUE line to the string before it.
void join_continued(Card& first, std::string_view line) {
  Card part;
  read_value(line.substr(8), part);
  first.value.pop_back();  // the '&'
  first.value += part.value;
  if (!part.comment.empty()) {
    if (!first.comment.empty()) first.comment += ' ';
    first.comment += part.comment;
  }
}

/// Numbers of the layout: a letter-for-letter list, since a mistaken skip would lose a card.
constexpr std::array<std::string_view, 27> structural_names{
    "SIMPLE",   "BITPIX",  "NAXIS",    "EXTEND",   "XTENSION", "PCOUNT",  "GCOUNT",
    "GROUPS",   "BZERO",   "BSCALE",   "BLANK",    "CHECKSUM", "DATASUM", "TFIELDS",
    "THEAP",    "END",     "ZIMAGE",   "ZCMPTYPE", "ZBITPIX",  "ZNAXIS",  "ZSIMPLE",
    "ZTENSION", "ZEXTEND", "ZHECKSUM", "ZDATASUM", "CONTINUE", "LONGSTRN"};
constexpr std::array<std::string_view, 9> structural_more{"ZQUANTIZ", "ZDITHER0", "ZBLANK",
                                                          "ZPCOUNT",  "ZGCOUNT",  "ZMASKCMP",
                                                          "ZBLOCKED", "BLOCKED",  "INHERIT"};
constexpr std::array<std::string_view, 16> structural_stems{
    "NAXIS", "ZNAXIS", "ZTILE", "ZNAME", "ZVAL", "TTYPE", "TFORM", "TUNIT",
    "TNULL", "TSCAL",  "TZERO", "TDISP", "TDIM", "TBCOL", "ZFORM", "ZCTYP"};

}  // namespace

std::string_view trimmed_right(std::string_view text) noexcept {
  const auto last = text.find_last_not_of(' ');
  return last == std::string_view::npos ? std::string_view{} : text.substr(0, last + 1);
}

std::string_view trimmed_both(std::string_view text) noexcept {
  text = trimmed_right(text);
  const auto first = text.find_first_not_of(' ');
  return first == std::string_view::npos ? std::string_view{} : text.substr(first);
}

bool is_indexed(std::string_view keyword, std::string_view stem) noexcept {
  if (!keyword.starts_with(stem) || keyword.size() == stem.size()) return false;
  keyword.remove_prefix(stem.size());
  return keyword.front() != '0' && std::all_of(keyword.begin(), keyword.end(), is_digit);
}

bool is_structural(std::string_view keyword) noexcept {
  const auto equal = [&](std::string_view name) { return name == keyword; };
  return std::any_of(structural_names.begin(), structural_names.end(), equal) ||
         std::any_of(structural_more.begin(), structural_more.end(), equal) ||
         std::any_of(structural_stems.begin(), structural_stems.end(),
                     [&](std::string_view stem) { return is_indexed(keyword, stem); });
}

std::string ascii(std::string_view text) {
  std::string result;
  result.reserve(text.size());
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte >= 0x20U && byte < 0x7FU) {
      result += c;
    } else if ((byte & 0xC0U) != 0x80U) {  // not the tail of a UTF-8 sequence
      result += '?';
    }
  }
  return result;
}

Header parse_cards(std::string_view characters) {
  std::vector<Card> cards;
  bool open_string = false;  // the card before ends in '&' and may be continued
  for (std::size_t at = 0; at + card_length <= characters.size(); at += card_length) {
    const std::string line = clean_text(characters.substr(at, card_length));
    if (open_string && line.starts_with("CONTINUE")) {
      join_continued(cards.back(), line);
    } else {
      cards.push_back(parse_card(line));
    }
    const Card& last = cards.back();
    open_string = last.type == Card::Type::text && last.value.ends_with('&');
  }
  Header header;
  for (Card& card : cards) header.add(std::move(card));
  return header;
}

namespace {

std::string padded(std::string line) {
  line.resize(card_length, ' ');
  return line;
}

/// Adds as much of ` / comment` as fits.
std::string with_comment(std::string line, const std::string& comment) {
  constexpr std::size_t usual_column = 30;
  if (!comment.empty()) {
    if (line.size() < usual_column) line.resize(usual_column, ' ');
    if (line.size() + 4 <= card_length) line += " / " + comment;
  }
  return padded(std::move(line));
}

std::string escaped(std::string_view text) {
  std::string result;
  for (const char c : text) result += c == '\'' ? std::string("''") : std::string(1, c);
  return result;
}

/// A string over several lines, each but the last ending in '&' (FITS 4.0, 4.2.1.2).
std::vector<std::string> continued(const std::string& start, std::string_view value,
                                   const std::string& comment) {
  std::vector<std::string> lines;
  std::string line = start + "'";
  for (const char c : value) {
    const std::string next = c == '\'' ? "''" : std::string(1, c);
    if (line.size() + next.size() + 2 > card_length) {
      lines.push_back(padded(line + "&'"));
      line = "CONTINUE  '";
    }
    line += next;
  }
  lines.push_back(with_comment(line + "'", comment));
  return lines;
}

std::vector<std::string> format_commentary(const Card& card) {
  std::string start = ascii(card.keyword).substr(0, 8);
  start.resize(8, ' ');
  const std::string text = ascii(trimmed_right(card.value));
  constexpr std::size_t room = card_length - 8;
  std::vector<std::string> lines;
  std::size_t at = 0;
  do {
    std::size_t length = std::min(room, text.size() - at);
    if (at + length < text.size()) {  // break behind a blank when there is one
      const auto blank = text.rfind(' ', at + length - 1);
      if (blank != std::string::npos && blank > at) length = blank - at + 1;
    }
    lines.push_back(padded(start + text.substr(at, length)));
    at += length;
  } while (at < text.size());
  return lines;
}

/// `KEYWORD = ` or `HIERARCH long name = `.
std::string value_start(std::string_view keyword) {
  std::string name = ascii(keyword);
  const bool plain =
      !name.empty() && name.size() <= 8 && std::all_of(name.begin(), name.end(), [](char c) {
        return (c >= 'A' && c <= 'Z') || is_digit(c) || c == '-' || c == '_';
      });
  if (plain) {
    name.resize(8, ' ');
    return name + "= ";
  }
  std::replace(name.begin(), name.end(), '=', '?');
  constexpr std::size_t longest_name = 50;
  return "HIERARCH " + name.substr(0, longest_name) + " = ";
}

bool goes_without_quotes(const Card& card) noexcept {
  if (card.type == Card::Type::text) return false;
  if (card.value.empty()) return true;
  const bool complex = card.value.starts_with('(') && card.value.ends_with(')');
  return card.value.size() <= 24 && (complex || bare_type(card.value) != Card::Type::undefined);
}

}  // namespace

std::vector<std::string> format_card(const Card& card) {
  if (card.type == Card::Type::commentary) return format_commentary(card);
  const std::string start = value_start(card.keyword);
  const std::string comment = ascii(card.comment);
  if (goes_without_quotes(card)) {
    constexpr std::size_t field = 20;
    std::string value = ascii(card.value);
    if (value.size() < field) value.insert(0, field - value.size(), ' ');
    return {with_comment(start + value, comment)};
  }
  const std::string value = ascii(trimmed_right(card.value));
  std::string quoted = escaped(value);
  if (start.size() + quoted.size() + 2 > card_length) return continued(start, value, comment);
  quoted.resize(std::max<std::size_t>(8, quoted.size()), ' ');
  return {with_comment(start + "'" + quoted + "'", comment)};
}

}  // namespace coldframe::fits::detail
