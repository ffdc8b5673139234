// A picture of one result, or of several as channels.
#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/render.hpp"
#include "coldframe/view/annotate.hpp"
#include "coldframe/view/picture.hpp"
#include "render_parts.hpp"

namespace coldframe::session {
namespace {

namespace fs = std::filesystem;

// Three files as red, green and blue.
Image compose(const RenderJob& job) {
  Image image;
  const fs::path* files[3] = {&job.red, &job.green, &job.blue};
  for (int p = 0; p < 3; ++p) {
    const Image channel = read_for_picture(*files[p], job);
    if (p == 0) image = Image(channel.size(), 3);
    if (channel.size() != image.size()) {
      throw Error(ErrorKind::usage, files[p]->string(), "has another size than the red channel",
                  "run all filters as one session: their results share a grid");
    }
    for (int y = 0; y < image.height(); ++y) {
      const auto from = channel.plane(0).row(y);
      std::copy(from.begin(), from.end(), image.plane(p).row(y).begin());
    }
  }
  return image;
}

double above_black(const Image& image, const view::Stretch& stretch, int p, int x, int y) {
  return (static_cast<double>(image.plane(p)(x, y)) - stretch.black[p]) * stretch.gain[p];
}

// Mean light of a usual pixel above black: where the colours show no more than that, they are
// noise, and adding it to all three makes them grey.
double usual_light(const Image& image, const view::Stretch& stretch) {
  std::vector<double> means;
  for (int y = 0; y < image.height(); y += 7) {
    for (int x = y % 5; x < image.width(); x += 5) {
      double sum = 0.0;
      for (int p = 0; p < 3; ++p) sum += above_black(image, stretch, p, x, y);
      if (std::isfinite(sum)) means.push_back(std::max(sum / 3.0, 0.0));
    }
  }
  return means.empty() ? 1.0 : std::max(median(means), 1e-6);
}

// Colour keeps its ratios, brightness comes from the luminance, each about its own sky and in units
// of its own spread, so that nothing depends on exposure times.
void use_luminance(Image& image, const Image& luminance, const view::StretchOptions& options) {
  if (luminance.size() != image.size()) {
    throw Error(ErrorKind::usage, "", "the luminance has another size than the colours",
                "run all filters as one session: their results share a grid");
  }
  const auto colour = view::automatic_stretch(image, options);
  const auto light = view::automatic_stretch(luminance, options);
  const double grey = usual_light(image, colour);
  for (int y = 0; y < image.height(); ++y) {
    for (int x = 0; x < image.width(); ++x) {
      double rgb[3];
      for (int p = 0; p < 3; ++p)
        rgb[p] = std::max(above_black(image, colour, p, x, y), 0.0) + grey;
      const double mean = (rgb[0] + rgb[1] + rgb[2]) / 3.0;
      const double bright =
          (static_cast<double>(luminance.plane(0)(x, y)) - light.black[0]) / light.softening;
      for (int p = 0; p < 3; ++p) {
        image.plane(p)(x, y) = static_cast<float>(
            rgb[p] / mean * bright * colour.softening / colour.gain[p] + colour.black[p]);
      }
    }
  }
}

Image cropped(const Image& image, const std::array<int, 4>& crop) {
  const auto [x0, y0, width, height] = crop;
  if (x0 < 0 || y0 < 0 || width < 1 || height < 1 || x0 + width > image.width() ||
      y0 + height > image.height()) {
    throw Error(
        ErrorKind::usage, "",
        fmt::format("the crop leaves the image of {} x {} px", image.width(), image.height()),
        "give X Y WIDTH HEIGHT, counted from 0 at the lower left");
  }
  Image out({width, height}, image.planes());
  for (int p = 0; p < image.planes(); ++p) {
    for (int y = 0; y < height; ++y) {
      const auto from = image.plane(p).row(y0 + y).subspan(static_cast<std::size_t>(x0),
                                                           static_cast<std::size_t>(width));
      std::copy(from.begin(), from.end(), out.plane(p).row(y).begin());
    }
  }
  return out;
}

std::string ending_of(const fs::path& path) {
  auto ending = path.extension().string();
  std::transform(ending.begin(), ending.end(), ending.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return ending;
}

std::string encode(const RenderJob& job, const view::LightPicture& picture) {
  const auto ending = ending_of(job.out);
  const auto note = render_note(job);
  if (ending == ".tif" || ending == ".tiff")
    return view::encode_tiff(picture, job.bits, job.linear, note);
  return view::encode_png(picture, job.bits, note);
}

void check_form(const RenderJob& job) {
  const auto ending = ending_of(job.out);
  const bool tiff = ending == ".tif" || ending == ".tiff";
  if (!tiff && ending != ".png") {
    throw Error(ErrorKind::usage, job.out.string(), "has no ending that says how to write it",
                "end the name in .png or .tif");
  }
  if (!tiff && (job.bits == 32 || job.linear)) {
    throw Error(ErrorKind::usage, job.out.string(),
                "PNG holds neither 32 bits nor linear light here", "end the name in .tif");
  }
}

Image composed(const RenderJob& job) {
  Image image = job.red.empty() ? read_for_picture(job.in, job) : compose(job);
  if (!job.luminance.empty()) {
    if (image.planes() != 3) {
      throw Error(ErrorKind::usage, job.in.string(), "has no colours to go with the luminance",
                  "give a colour result, or --red, --green and --blue");
    }
    use_luminance(image, read_for_picture(job.luminance, job), job.stretch);
  }
  if (job.crop) image = cropped(image, *job.crop);
  return image;
}

PictureFrame frame_of(const RenderJob& job, Size size) {
  PictureFrame frame;
  if (job.crop) {
    frame.x0 = (*job.crop)[0];
    frame.y0 = (*job.crop)[1];
  }
  const int side = std::max(size.width, size.height);
  if (job.longest_px > 0) frame.factor = std::max((side + job.longest_px - 1) / job.longest_px, 1);
  frame.size = {std::max(size.width / frame.factor, 1), std::max(size.height / frame.factor, 1)};
  return frame;
}

// The stretch of the pixels as measured: black point and softening follow from their noise, which
// smoothing and sharpening change.
view::Stretch stretch_of(RenderJob job, const Image& image, const PictureFrame& frame) {
  view::Stretch stretch;
  if (job.sharpen_iterations > 0 || job.smooth_sigma > 0.0) {
    job.sharpen_iterations = 0;
    job.smooth_sigma = 0.0;
    stretch = view::automatic_stretch(view::bin_image(composed(job), frame.factor), job.stretch);
  } else {
    stretch = view::automatic_stretch(image, job.stretch);
  }
  stretch.saturation = job.saturation;
  return stretch;
}

}  // namespace

void render_file(const RenderJob& job) {
  check_form(job);
  Image image = composed(job);
  const auto frame = frame_of(job, image.size());
  if (frame.factor > 1) image = view::bin_image(image, frame.factor);
  if (job.out.has_parent_path()) fits::make_folder(job.out.parent_path());
  auto picture = view::render_light(image, stretch_of(job, image, frame), !job.linear);
  if (job.annotate || !job.objects.empty())
    view::annotate(picture, annotations_for(job, job.red.empty() ? job.in : job.red, frame));
  fits::write_file_atomically(job.out, encode(job, picture));
}

}  // namespace coldframe::session
