// Any bytes as a list of transforms.
#include "coldframe/core/error.hpp"
#include "coldframe/session/tools.hpp"
#include "fits/input_file.hpp"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const InputFile file(data, size);
  try {
    (void)coldframe::session::read_transforms(file.path());
  } catch (const coldframe::Error&) {
  }
  return 0;
}
