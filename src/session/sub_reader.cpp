#include "sub_reader.hpp"

#include <mutex>
#include <system_error>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"
#include "raw_frame.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

struct Shared {
  std::once_flag once;
  std::shared_ptr<const PixelSource> source;
};

// What was measured on other pixels must not be applied to these.
std::shared_ptr<const PixelSource> open_unchanged(const std::filesystem::path& path,
                                                  const FrameInfo& info, const std::string& stamp) {
  if (!stamp.empty() && fits::stat_key(path) != stamp) {
    throw Error(ErrorKind::input, path.string(), "was changed while the run was going on",
                "let the copying end, then run again");
  }
  return open_raw_frame(path, info);
}

}  // namespace

std::function<std::shared_ptr<const PixelSource>()> sub_opener(std::filesystem::path path,
                                                               const FrameInfo& info,
                                                               bool stay_open, std::string stamp) {
  if (!stay_open) {
    return [path = std::move(path), info, stamp = std::move(stamp)] {
      return open_unchanged(path, info, stamp);
    };
  }
  return [path = std::move(path), info, stamp = std::move(stamp),
          shared = std::make_shared<Shared>()] {
    std::call_once(shared->once, [&] { shared->source = open_unchanged(path, info, stamp); });
    return shared->source;
  };
}

ScratchCopies::ScratchCopies(std::filesystem::path folder) : folder_(std::move(folder)) {
  fits::make_folder(folder_);
}

ScratchCopies::~ScratchCopies() {
  std::error_code ignored;
  for (const auto& copy : copies_) std::filesystem::remove(copy, ignored);
}

std::filesystem::path ScratchCopies::decode(const std::filesystem::path& frame) {
  const auto file = fits::ImageFile::open(frame);
  const auto path = folder_ / ("coldframe-" + digest(frame.string()) + ".fits");
  const auto type = file->has_codes16() ? fits::SampleType::uint16 : fits::SampleType::float32;
  fits::FileWriter writer(path);
  const int hdu = writer.add_image({"", file->size(), file->planes(), type}, {});
  for_pixel_strips(*file, [&](int plane, const Rect& band, PlaneView<const float> pixels) {
    writer.write_rows(hdu, plane, band.y0, pixels);
  });
  writer.commit();
  copies_.push_back(path);
  return path;
}

}  // namespace coldframe::session
