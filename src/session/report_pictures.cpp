#include "report_pictures.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/view/layer.hpp"
#include "preview.hpp"

namespace coldframe::session {
namespace {

constexpr int light_px = 1400;  // longest side of what is looked at closely
constexpr int figure_px = 700;
constexpr int thumbnail_px = 320;
constexpr double thumbnails_bytes = 11e6;  // of all thumbnails of a page together
constexpr double bytes_per_px = 0.5;       // a thumbnail's, packed

// Low and high rejections together.
Image sum_of(Image a, const Image& b) {
  for (int p = 0; p < a.planes(); ++p) {
    for (int y = 0; y < a.height(); ++y) {
      const auto to = a.plane(p).row(y);
      const auto from = b.plane(p).row(y);
      for (std::size_t x = 0; x < to.size(); ++x) to[x] += from[x];
    }
  }
  return a;
}

class Layers {
 public:
  void add_light(const char* name, const std::filesystem::path& path) {
    try {
      const Image image = binned_image(*fits::ImageFile::open(path), light_px);
      auto layer = view::encode_light(image);
      finish(name, std::move(layer), view::automatic_stretch(image));
    } catch (const Error&) {
      // The page does without it.
    }
  }
  void add_figure(const char* name, const std::filesystem::path& path, const char* unit) {
    try {
      finish(name, view::encode_figure(read(path, unit)), {});
    } catch (const Error&) {
    }
  }
  void add_rejected(const std::filesystem::path& path) {
    try {
      finish("Samples rejected",
             view::encode_figure(sum_of(read(path, "NCLIPLO"), read(path, "NCLIPHI"))), {});
    } catch (const Error&) {
    }
  }
  std::vector<view::ReportLayer> take() { return std::move(list_); }

 private:
  static Image read(const std::filesystem::path& path, const char* unit) {
    return binned_image(*fits::ImageFile::open(path, unit), figure_px);
  }
  void finish(const char* name, view::Layer layer, const view::Stretch& stretch) {
    view::ReportLayer one;
    one.name = name;
    one.stretch = stretch;
    one.png_base64 = view::base64(view::encode_png(layer.picture));
    layer.picture.pixels = {};
    one.layer = std::move(layer);
    list_.push_back(std::move(one));
  }

  std::vector<view::ReportLayer> list_;
};

}  // namespace

std::vector<view::ReportLayer> result_layers(const ResultRecord& result,
                                             const std::filesystem::path& out) {
  Layers layers;
  if (result.path.empty()) return layers.take();
  if (!result.flat_sky_path.empty()) {
    layers.add_light("Result, sky gradient removed", out / result.flat_sky_path);
  }
  layers.add_light("Result", out / result.path);
  layers.add_figure("Uncertainty", out / result.path, "UNCERT");
  layers.add_figure("Effective exposure", out / result.path, "WEIGHT");
  layers.add_rejected(out / result.path);
  return layers.take();
}

std::string thumbnail_of(const SubRecord& sub, Size canvas, std::size_t among) {
  if (sub.preview_file.empty() || canvas.count() == 0) return "";
  try {
    const auto file = fits::ImageFile::open(sub.preview_file);
    Grid<float> preview(file->size());
    file->fill(0, whole(file->size()), preview.view());
    const double pixels = thumbnails_bytes / bytes_per_px / static_cast<double>(among);
    const double aspect = static_cast<double>(std::max(canvas.width, canvas.height)) /
                          std::min(canvas.width, canvas.height);
    const int longest = std::clamp(static_cast<int>(std::sqrt(pixels * aspect)), 80, thumbnail_px);
    return view::base64(view::encode_png(
        view::sub_thumbnail(preview, sub.preview_bin, sub.to_canvas, canvas, longest)));
  } catch (const Error&) {
    return "";
  }
}

}  // namespace coldframe::session
