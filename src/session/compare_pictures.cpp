#include "compare_pictures.hpp"

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/view/picture.hpp"
#include "preview.hpp"

namespace coldframe::session {
namespace {

constexpr float none = std::numeric_limits<float>::quiet_NaN();

struct Side {
  Image image;  ///< binned
  double bin = 1.0;
  double seconds = 1.0;
};

Side read(const Setup& setup, int longest) {
  const auto file = fits::ImageFile::open(setup.picture);
  Side side{binned_image(*file, longest), 1.0, 1.0};
  side.bin = std::floor(static_cast<double>(file->size().width) / side.image.width());
  side.seconds = file->header().real("EXPTIME").value_or(1.0);
  return side;
}

double sky_of(const Image& image, int plane) {
  std::vector<double> values;
  for (int y = 0; y < image.height(); y += 3) {
    for (const float v : image.plane(plane).row(y)) {
      if (std::isfinite(v)) values.push_back(static_cast<double>(v));
    }
  }
  return values.empty() ? 0.0 : median(values);
}

float bilinear(PlaneView<const float> plane, double x, double y) {
  const int i = static_cast<int>(std::floor(x));
  const int j = static_cast<int>(std::floor(y));
  if (i < 0 || j < 0 || i + 1 >= plane.width() || j + 1 >= plane.height()) return none;
  const auto u = static_cast<float>(x - i);
  const auto v = static_cast<float>(y - j);
  return (1 - v) * ((1 - u) * plane(i, j) + u * plane(i + 1, j)) +
         v * ((1 - u) * plane(i, j + 1) + u * plane(i + 1, j + 1));
}

// Rate above the sky per pixel of a's picture.
Image rates(const Side& side) {
  Image out(side.image.size(), side.image.planes());
  for (int p = 0; p < out.planes(); ++p) {
    const double sky = sky_of(side.image, p);
    for (int y = 0; y < out.height(); ++y) {
      const auto from = side.image.plane(p).row(y);
      const auto to = out.plane(p).row(y);
      for (std::size_t x = 0; x < to.size(); ++x) {
        to[x] = static_cast<float>((static_cast<double>(from[x]) - sky) / side.seconds);
      }
    }
  }
  return out;
}

// b's light on a's binned grid, brought to a's counts by the stars both have.
Image on_grid(const Image& b, const Side& a_side, const Side& b_side, const Comparison& c,
              double light) {
  Image out(a_side.image.size(), b.planes());
  const double factor = 1.0 / (light * c.scale_ratio * c.scale_ratio);
  for (int y = 0; y < out.height(); ++y) {
    for (int x = 0; x < out.width(); ++x) {
      const Point a{(x + 0.5) * a_side.bin - 0.5, (y + 0.5) * a_side.bin - 0.5};
      const Point at = c.match.transform.unapply(a);
      for (int p = 0; p < out.planes(); ++p) {
        const float v =
            bilinear(b.plane(p), (at.x + 0.5) / b_side.bin - 0.5, (at.y + 0.5) / b_side.bin - 0.5);
        out.plane(p)(x, y) = static_cast<float>(static_cast<double>(v) * factor);
      }
    }
  }
  return out;
}

// The rectangle that both show.
Rect overlap(const Image& a, const Image& b) {
  Rect box{a.width(), a.height(), 0, 0};
  for (int y = 0; y < a.height(); ++y) {
    for (int x = 0; x < a.width(); ++x) {
      if (!std::isfinite(a.plane(0)(x, y)) || !std::isfinite(b.plane(0)(x, y))) continue;
      box = {std::min(box.x0, x), std::min(box.y0, y), std::max(box.x1, x + 1),
             std::max(box.y1, y + 1)};
    }
  }
  return box;
}

Image cut(const Image& image, const Rect& box) {
  Image out({box.x1 - box.x0, box.y1 - box.y0}, image.planes());
  for (int p = 0; p < image.planes(); ++p) {
    for (int y = box.y0; y < box.y1; ++y) {
      for (int x = box.x0; x < box.x1; ++x) {
        out.plane(p)(x - box.x0, y - box.y0) = image.plane(p)(x, y);
      }
    }
  }
  return out;
}

}  // namespace

PicturePair picture_pair(const Comparison& c, int longest) {
  try {
    const auto light = std::find_if(c.figures.begin(), c.figures.end(),
                                    [](const Compared& f) { return f.code == "light"; });
    const double factor = light != c.figures.end() ? light->ratio : 1.0;
    const auto a_side = read(c.a, longest);
    const auto b_side = read(c.b, longest);
    const Image a = rates(a_side);
    const Image b = on_grid(rates(b_side), a_side, b_side, c, factor);
    const auto box = overlap(a, b);
    if (box.x1 - box.x0 < 16 || box.y1 - box.y0 < 16) return {};
    const auto a_cut = cut(a, box);
    const auto stretch = view::automatic_stretch(a_cut);
    auto b_stretch = stretch;
    const auto b_cut = cut(b, box);
    // Planes may differ in number: each shows its own, on the first's scale.
    for (int p = a.planes(); p < 3; ++p) {
      b_stretch.black[p] = stretch.black[0];
      b_stretch.gain[p] = stretch.gain[0];
    }
    return {view::encode_png(view::render(a_cut, stretch)),
            view::encode_png(view::render(b_cut, b_stretch))};
  } catch (const Error&) {
    return {};
  }
}

}  // namespace coldframe::session
