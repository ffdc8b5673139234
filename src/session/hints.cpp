#include "hints.hpp"

#include <algorithm>
#include <map>
#include <tuple>

#include "hint_rules.hpp"

namespace coldframe::session {
namespace {

using detail::Rows;

// What the owner left out or nobody could measure tells nothing.
bool tells(const SubRecord& row) {
  return row.rule != "owner" && row.rule != "unreadable" && row.rule != "no-sky" &&
         row.stars.has_value();
}

void keep_costlier(std::vector<HintRecord>& hints, detail::Hint hint) {
  if (!hint) return;
  const auto same = std::find_if(hints.begin(), hints.end(),
                                 [&](const HintRecord& h) { return h.code == hint->code; });
  if (same == hints.end()) {
    hints.push_back(std::move(*hint));
  } else if (hint->loss > same->loss) {
    *same = std::move(*hint);
  }
}

}  // namespace

std::vector<HintRecord> find_hints(std::span<const SubRecord> rows) {
  // Of each set-up by itself: another telescope's width or tilt is no change of this one's.
  std::map<std::pair<int, int>, Rows> results;
  std::map<std::tuple<int, int, std::string>, Rows> nights;
  for (const auto& row : rows) {
    if (!tells(row)) continue;
    results[{row.result, row.set_up}].push_back(&row);
    nights[{row.result, row.set_up, row.night}].push_back(&row);
  }
  std::vector<HintRecord> hints;
  constexpr std::size_t least = 3;
  for (const auto& [result, members] : results) {
    if (members.size() < least) continue;
    for (const auto rule : {detail::hint_tracking, detail::hint_wind, detail::hint_jumps,
                            detail::hint_defocus, detail::hint_tilt, detail::hint_curvature,
                            detail::hint_astigmatism, detail::hint_daylight}) {
      keep_costlier(hints, rule(members));
    }
  }
  for (auto& [night, members] : nights) {
    if (members.size() < least) continue;
    std::stable_sort(members.begin(), members.end(),
                     [](const SubRecord* a, const SubRecord* b) { return a->start < b->start; });
    for (const auto rule :
         {detail::hint_dew, detail::hint_focus, detail::hint_cloud, detail::hint_gradient,
          detail::hint_brightening, detail::hint_dither, detail::hint_rotation}) {
      keep_costlier(hints, rule(members));
    }
  }
  std::stable_sort(hints.begin(), hints.end(),
                   [](const HintRecord& a, const HintRecord& b) { return a.loss > b.loss; });
  return hints;
}

}  // namespace coldframe::session
