/// \file
/// Looks facts up in a header through the spelling table and notes what could
/// not be understood. Private to core.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "frame_keywords.hpp"

namespace coldframe::detail {

class HeaderReader {
 public:
  HeaderReader(const Header& header, std::vector<std::string>& problems) noexcept
      : header_(header), problems_(problems) {}

  [[nodiscard]] const Header& header() const noexcept { return header_; }

  /// The cards of a fact that hold something, in the table's order.
  struct Found {
    const Card* card = nullptr;
    double factor = 1.0;
  };
  [[nodiscard]] std::vector<Found> cards(Fact fact) const;

  /// First text that says something ("N/A", "unknown" and the like say nothing).
  [[nodiscard]] std::string text(Fact fact) const;

  /// First card with a number in [low, high], in the library's unit; others are noted.
  std::optional<double> number(Fact fact, double low, double high);

  /// The number of one card, also "12.5 s" or "-10 C"; unset when there is none.
  [[nodiscard]] static std::optional<double> number_of(const Card& card);

  /// Notes a card that is not used and why: "EXPTIME = -3: <why>".
  void reject(const Card& card, std::string_view why);
  void note(std::string text) { problems_.push_back(std::move(text)); }

 private:
  const Header& header_;
  std::vector<std::string>& problems_;
};

/// Text that stands for 'nothing known'.
[[nodiscard]] bool says_nothing(std::string_view text);

/// Kind of the frame (header, else file name) and whether it is a master.
void read_kind(HeaderReader& reader, std::string_view file_name, FrameInfo& info);
/// DATE-OBS, TIME-OBS, DATE-END, JD, MJD into start_text and start_s. Needs exposure_s.
void read_start(HeaderReader& reader, FrameInfo& info);
/// Pointing and site.
void read_position(HeaderReader& reader, FrameInfo& info);
/// Gain, offset, read noise, saturation, pedestal.
void read_sensor_levels(HeaderReader& reader, FrameInfo& info);
/// Colour filter array with offsets and row order.
void read_cfa(HeaderReader& reader, FrameInfo& info);

}  // namespace coldframe::detail
