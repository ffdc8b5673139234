/// \file
/// The one door to threads. Work is split by index; what an index computes must
/// depend on the index alone, so results are the same for any thread count.
#pragma once

#include <cstddef>
#include <functional>

#include "coldframe/core/geometry.hpp"

namespace coldframe {

/// How many threads may work; 0 = one per processor.
struct Threads {
  int count = 0;
  [[nodiscard]] int resolved() const noexcept;
};

/// Calls `body(i)` for i in [0, count), in any order, on up to `threads`
/// threads; called from inside a parallel region it runs serially. The
/// exception of the lowest index that throws is rethrown after all running
/// iterations ended, the same for any thread count; higher indices not yet
/// started are then skipped.
void parallel_for(Threads threads, std::size_t count, const std::function<void(std::size_t)>& body);

/// Splits `rows` rows into bands of `rows_per_band` (absolute boundaries at
/// multiples of it) and calls `body(y0, y1)` for each.
void parallel_bands(Threads threads, int rows, int rows_per_band,
                    const std::function<void(int y0, int y1)>& body);

/// "openmp" or "jthread": which back end this build uses.
[[nodiscard]] const char* parallel_back_end() noexcept;

}  // namespace coldframe
