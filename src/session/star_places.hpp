// One list of all stars that a group's subs see, by place on the reference's plane.
#pragma once

#include <cstdint>
#include <span>
#include <unordered_map>
#include <vector>

#include "coldframe/core/star.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::session {

class StarPlaces {
 public:
  struct Found {
    std::uint32_t place = 0;
    std::uint32_t star = 0;  ///< index in the sub's list
  };

  /// Stars of one sub, the `most` brightest that `usable` accepts; each place is taken once. The
  /// order of the calls decides which position a place keeps.
  template <typename Usable>
  std::vector<Found> add(std::span<const Star> stars, const Transform& to_reference,
                         std::size_t most, Usable&& usable) {
    std::vector<std::uint32_t> chosen;
    for (std::uint32_t i = 0; i < stars.size(); ++i) {
      if (usable(stars[i])) chosen.push_back(i);
    }
    return place(stars, to_reference, chosen, most);
  }
  [[nodiscard]] std::size_t count() const noexcept { return places_.size(); }

 private:
  std::vector<Found> place(std::span<const Star> stars, const Transform& to_reference,
                           std::vector<std::uint32_t>& chosen, std::size_t most);
  [[nodiscard]] std::uint32_t nearest(Point p) const;

  std::vector<Point> places_;
  std::vector<std::uint32_t> taken_by_;
  std::uint32_t calls_ = 0;
  std::unordered_multimap<std::uint64_t, std::uint32_t> cells_;
};

}  // namespace coldframe::session
