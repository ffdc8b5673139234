/// \file
/// An ordered list of FITS header cards, independent of any file library.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace coldframe {

/// One card. `value` is the decoded string for text (quotes removed, doubled
/// quotes single, CONTINUE joined) and the characters as they stood for
/// everything else, so that nothing is lost on a round trip.
struct Card {
  enum class Type { text, logical, integer, real, commentary, undefined };
  std::string keyword;  ///< upper case; for HIERARCH the full name without 'HIERARCH '
  std::string value;    ///< for commentary cards (COMMENT, HISTORY, blank): the text
  std::string comment;
  Type type = Type::undefined;
  friend bool operator==(const Card&, const Card&) = default;
};

/// Ordered cards. Look-ups ignore case and give the first card with a value;
/// numbers that are not finite or not numbers count as absent.
class Header {
 public:
  [[nodiscard]] std::span<const Card> cards() const noexcept { return cards_; }
  [[nodiscard]] bool empty() const noexcept { return cards_.empty(); }
  void add(Card card) { cards_.push_back(std::move(card)); }

  /// Replaces the first card of that keyword, or appends one.
  void set(std::string_view keyword, std::string_view value, std::string_view comment = {});
  void set(std::string_view keyword, const char* value, std::string_view comment = {});
  void set(std::string_view keyword, double value, std::string_view comment = {});
  void set(std::string_view keyword, std::int64_t value, std::string_view comment = {});
  void set(std::string_view keyword, int value, std::string_view comment = {});
  void set(std::string_view keyword, bool value, std::string_view comment = {});
  void history(std::string_view text);
  void remove(std::string_view keyword);

  [[nodiscard]] const Card* find(std::string_view keyword) const noexcept;
  [[nodiscard]] std::optional<std::string> text(std::string_view keyword) const;
  /// A number, also when it was written as text ('300.0') or with a D exponent.
  [[nodiscard]] std::optional<double> real(std::string_view keyword) const;
  [[nodiscard]] std::optional<std::int64_t> integer(std::string_view keyword) const;
  [[nodiscard]] std::optional<bool> logical(std::string_view keyword) const;

 private:
  std::vector<Card> cards_;
};

}  // namespace coldframe
