// Handing memory back to the system between stages.
#pragma once

namespace coldframe::session {

/// What earlier stages freed but the allocator kept would count against the order while the next
/// stage fills its buffers. Does nothing where the C library has no such call.
void return_free_memory() noexcept;

}  // namespace coldframe::session
