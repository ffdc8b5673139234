#include "free_memory.hpp"

#include <cstdlib>
#ifdef __GLIBC__
#include <malloc.h>
#endif

namespace coldframe::session {

void return_free_memory() noexcept {
#ifdef __GLIBC__
  malloc_trim(0);
#endif
}

}  // namespace coldframe::session
