// Do the masters fit the lights? Asked of the calibrated frames themselves, not of the headers.
#pragma once

#include "coldframe/session/pairing.hpp"
#include "group_work.hpp"

namespace coldframe::session {

/// Frames of bias and dark sets among themselves: pixels at zero, levels and noise that contradict
/// each other. One warning per fault.
void check_dark_frames(const Inventory& inventory, const Pairing& pairing, SessionRecord& record);

/// The measured subs of a group against their masters: residue of hot pixels, sky against the
/// flat's and the dark's shapes, sky below zero, light in the darks, dust that moved. The subs'
/// calibrations must be there.
void check_calibration(const GroupState& group, SessionRecord& record, const Watch& watch);

}  // namespace coldframe::session
