#include "sub_reader.hpp"

#include <mutex>

#include "coldframe/fits/image_file.hpp"

namespace coldframe::session {
namespace {

struct Shared {
  std::once_flag once;
  std::shared_ptr<const PixelSource> source;
};

}  // namespace

std::function<std::shared_ptr<const PixelSource>()> sub_opener(std::filesystem::path path,
                                                               bool stay_open) {
  if (!stay_open) {
    return [path = std::move(path)]() -> std::shared_ptr<const PixelSource> {
      return fits::ImageFile::open(path);
    };
  }
  return [path = std::move(path), shared = std::make_shared<Shared>()] {
    std::call_once(shared->once, [&] { shared->source = fits::ImageFile::open(path); });
    return shared->source;
  };
}

}  // namespace coldframe::session
