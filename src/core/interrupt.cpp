#include "coldframe/core/interrupt.hpp"

#include "coldframe/core/error.hpp"

namespace coldframe {

void Watch::check() const {
  if (stop != nullptr && stop->load(std::memory_order_relaxed)) {
    throw Error(ErrorKind::interrupted, "", "stopped on request",
                "start the same command again to go on");
  }
}

}  // namespace coldframe
