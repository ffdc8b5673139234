// Any bytes as a star catalogue: text in all its separators, gzipped text, FITS tables.
#include <cmath>
#include <cstdlib>

#include "coldframe/core/error.hpp"
#include "coldframe/session/catalogue_file.hpp"
#include "fits/input_file.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  try {
    const auto catalogue = coldframe::session::read_catalogue({file.path(), {}, {}}, 2031.5);
    for (const auto& star : catalogue.stars) {
      // What is taken for a star has a place on the sky.
      if (!std::isfinite(star.position.ra_deg) || !(std::fabs(star.position.dec_deg) <= 90.0))
        std::abort();
    }
  } catch (const coldframe::Error&) {
  }
  return 0;
}
