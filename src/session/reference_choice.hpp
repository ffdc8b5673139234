// Which sub sets the grid, and which the scale of light.
#pragma once

#include <functional>
#include <span>
#include <string>

#include "group_state.hpp"

namespace coldframe::session {

/// Reference among all usable subs: sharp, deep (stars per area of sky), round. `wanted` (a name)
/// overrides. Throws Error(usage) when it names no usable sub. Returns the index into `subs`.
[[nodiscard]] std::size_t choose_reference(std::span<const SubState* const> subs,
                                           const std::string& wanted);

/// Once the subs are registered: a sub that promises nearly as much and lies better in the middle
/// of all fields (its frame holds more of the others' area). `chosen` when there is none better by
/// a tenth.
[[nodiscard]] std::size_t better_centred(std::span<const SubState* const> subs, std::size_t chosen);

/// Registers all with `onto` (an index of `subs`) and settles which is the reference: one that most
/// usable subs match (a frame of another field may promise most), then one better centred. What the
/// owner has named stays.
[[nodiscard]] std::size_t settle_reference(std::span<const SubState* const> subs, std::size_t first,
                                           bool named,
                                           const std::function<void(std::size_t)>& onto);

/// The most promising sub of the group that `usable` accepts; its present photometric reference
/// when it accepts none.
[[nodiscard]] std::size_t most_promising(const GroupState& group,
                                         const std::function<bool(const SubState&)>& usable);

}  // namespace coldframe::session
