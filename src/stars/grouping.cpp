#include "stars/grouping.hpp"

#include <algorithm>
#include <numeric>

#include "stars/neighbour_grid.hpp"

namespace coldframe::stars {
namespace {

/// Disjoint sets; the smallest member stands for its set.
class Sets {
 public:
  explicit Sets(std::size_t count) : parent_(count) {
    std::iota(parent_.begin(), parent_.end(), std::size_t{0});
  }
  [[nodiscard]] std::size_t find(std::size_t i) noexcept {
    while (parent_[i] != i) {
      parent_[i] = parent_[parent_[i]];
      i = parent_[i];
    }
    return i;
  }
  void join(std::size_t a, std::size_t b) noexcept {
    a = find(a);
    b = find(b);
    parent_[std::max(a, b)] = std::min(a, b);
  }

 private:
  std::vector<std::size_t> parent_;
};

using Groups = std::vector<std::vector<std::size_t>>;

void split(const std::vector<Point>& all, const std::vector<std::size_t>& chosen, Size frame,
           double length, std::size_t most, int depth, Groups& out) {
  std::vector<Point> places;
  for (const std::size_t i : chosen) places.push_back(all[i]);
  // Small lists need no large grid.
  const NeighbourGrid grid(places, frame, std::max(length, chosen.size() < 500 ? 256.0 : 4.0));
  Sets sets(chosen.size());
  for (std::size_t i = 0; i < chosen.size(); ++i) {
    grid.near(places[i], length, [&](std::size_t j, double) {
      if (j > i) sets.join(i, j);
    });
  }
  Groups groups(chosen.size());
  for (std::size_t i = 0; i < chosen.size(); ++i) groups[sets.find(i)].push_back(chosen[i]);
  for (auto& group : groups) {
    if (group.empty()) continue;
    if (group.size() <= most) {
      out.push_back(std::move(group));
    } else if (depth < 12) {
      split(all, group, frame, 0.8 * length, most, depth + 1, out);
    } else {  // sources on top of each other: cut the list
      for (std::size_t k = 0; k < group.size(); k += most) {
        const auto first = group.begin() + static_cast<std::ptrdiff_t>(k);
        const auto last =
            group.begin() + static_cast<std::ptrdiff_t>(std::min(group.size(), k + most));
        out.emplace_back(first, last);
      }
    }
  }
}

}  // namespace

Groups group_neighbours(const std::vector<Point>& places, std::vector<std::size_t> chosen,
                        Size frame, double length_px, std::size_t most) {
  std::sort(chosen.begin(), chosen.end());
  Groups groups;
  split(places, chosen, frame, length_px, std::max<std::size_t>(most, 1), 0, groups);
  std::sort(groups.begin(), groups.end(),
            [](const auto& a, const auto& b) { return a.front() < b.front(); });
  return groups;
}

}  // namespace coldframe::stars
