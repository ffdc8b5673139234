#include "coldframe/view/annotate.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "letters.hpp"

namespace coldframe::view {
namespace {

double length_of(PicturePoint v) { return std::hypot(v.x, v.y); }

/// How much of each pixel the drawing covers, 0 to 1; ink and rim are laid on at the end.
class Sheet {
 public:
  Sheet(int width, int height)
      : width_(width),
        height_(height),
        cover_(static_cast<std::size_t>(width) * static_cast<std::size_t>(height), 0.0F) {}

  /// Everything within half `thickness` of the points that `distance` measures from; only the box
  /// from (x0, y0) to (x1, y1) is looked at.
  template <typename Distance>
  void draw(double x0, double y0, double x1, double y1, double thickness,
            const Distance& distance) {
    const double reach = 0.5 * thickness + 1.0;
    const int left = std::max(static_cast<int>(std::floor(x0 - reach)), 0);
    const int right = std::min(static_cast<int>(std::ceil(x1 + reach)), width_ - 1);
    const int top = std::max(static_cast<int>(std::floor(y0 - reach)), 0);
    const int bottom = std::min(static_cast<int>(std::ceil(y1 + reach)), height_ - 1);
    for (int y = top; y <= bottom; ++y) {
      for (int x = left; x <= right; ++x) {
        // Half covered where the edge passes through the middle of the pixel.
        const double covered = std::clamp(0.5 * thickness - distance(x, y) + 0.5, 0.0, 1.0);
        float& c = at(x, y);
        c = std::max(c, static_cast<float>(covered));
      }
    }
  }

  void line(PicturePoint a, PicturePoint b, double thickness) {
    const double dx = b.x - a.x, dy = b.y - a.y;
    const double square = std::max(dx * dx + dy * dy, 1e-9);
    draw(std::min(a.x, b.x), std::min(a.y, b.y), std::max(a.x, b.x), std::max(a.y, b.y), thickness,
         [&](double x, double y) {
           const double t = std::clamp(((x - a.x) * dx + (y - a.y) * dy) / square, 0.0, 1.0);
           return std::hypot(x - a.x - t * dx, y - a.y - t * dy);
         });
  }

  void ring(PicturePoint c, double radius, double thickness) {
    draw(c.x - radius, c.y - radius, c.x + radius, c.y + radius, thickness,
         [&](double x, double y) { return std::abs(std::hypot(x - c.x, y - c.y) - radius); });
  }

  /// `cell`: pixels of a letter's cell; (x, y) is the upper left corner.
  void text(int x, int y, int cell, const std::string& words) {
    for (const auto& letter : letters_of(words)) {
      for (int row = 0; row < letter_height; ++row) {
        for (int column = 0; column < letter_width; ++column) {
          const bool inked = ((letter[static_cast<std::size_t>(row)] >>
                               static_cast<unsigned>(letter_width - 1 - column)) &
                              1U) != 0;
          if (inked) fill_cell(x + column * cell, y + row * cell, cell);
        }
      }
      x += (letter_width + 1) * cell;
    }
  }

  void lay_on(LightPicture& picture, int rim) const {
    const auto dark = spread(rim);
    const auto channels = static_cast<std::size_t>(picture.channels);
    for (std::size_t i = 0; i < cover_.size(); ++i) {
      if (!(dark[i] > 0.0F)) continue;
      float* light = picture.light.data() + channels * i;
      for (std::size_t c = 0; c < channels; ++c)
        light[c] = light[c] * (1.0F - rim_strength * dark[i]) * (1.0F - cover_[i]) + cover_[i];
    }
  }

 private:
  static constexpr float rim_strength = 0.75F;

  float& at(int x, int y) {
    return cover_[static_cast<std::size_t>(y) * static_cast<std::size_t>(width_) +
                  static_cast<std::size_t>(x)];
  }
  /// The most of each pixel's square neighbourhood: along rows, then along columns.
  [[nodiscard]] std::vector<float> spread(int rim) const {
    const auto width = static_cast<std::size_t>(width_);
    std::vector<float> wide(cover_.size(), 0.0F), all(cover_.size(), 0.0F);
    for (int y = 0; y < height_; ++y) {
      const auto* from = cover_.data() + static_cast<std::size_t>(y) * width;
      if (std::none_of(from, from + width, [](float c) { return c > 0.0F; })) continue;
      auto* to = wide.data() + static_cast<std::size_t>(y) * width;
      for (int x = 0; x < width_; ++x) {
        to[x] = *std::max_element(from + std::max(x - rim, 0),
                                  from + std::min(x + rim, width_ - 1) + 1);
      }
      for (int v = std::max(y - rim, 0); v <= std::min(y + rim, height_ - 1); ++v) {
        auto* sum = all.data() + static_cast<std::size_t>(v) * width;
        for (std::size_t x = 0; x < width; ++x) sum[x] = std::max(sum[x], to[x]);
      }
    }
    return all;
  }
  void fill_cell(int x0, int y0, int cell) {
    for (int y = std::max(y0, 0); y < std::min(y0 + cell, height_); ++y) {
      for (int x = std::max(x0, 0); x < std::min(x0 + cell, width_); ++x) at(x, y) = 1.0F;
    }
  }

  int width_;
  int height_;
  std::vector<float> cover_;
};

/// Sizes that follow the picture's.
struct Sizes {
  explicit Sizes(const LightPicture& picture)
      : cell(std::max(std::min(picture.width, picture.height) / 350, 1)),
        line(1.5 * cell),
        margin(12 * cell) {}
  int cell;
  double line;
  int margin;
};

int width_of(const std::string& words, int cell) {
  return static_cast<int>(letters_of(words).size()) * (letter_width + 1) * cell - cell;
}

void draw_bar(Sheet& sheet, const ScaleBar& bar, const Sizes& s, int height) {
  const double y = height - s.margin;
  const PicturePoint a{static_cast<double>(s.margin), y}, b{s.margin + bar.length_px, y};
  sheet.line(a, b, s.line);
  for (const auto& end : {a, b})
    sheet.line({end.x, y - 3.0 * s.cell}, {end.x, y + 3.0 * s.cell}, s.line);
  sheet.text(static_cast<int>(s.margin + 0.5 * bar.length_px) - width_of(bar.label, s.cell) / 2,
             height - s.margin - 12 * s.cell, s.cell, bar.label);
}

void draw_arrow(Sheet& sheet, PicturePoint from, PicturePoint way, const char* label,
                const Sizes& s) {
  const double size = 24.0 * s.cell / std::max(length_of(way), 1e-9);
  const PicturePoint tip{from.x + way.x * size, from.y + way.y * size};
  sheet.line(from, tip, s.line);
  for (const double turn : {2.6, -2.6}) {
    const double c = std::cos(turn), d = std::sin(turn);
    const double head = 0.25 * size;
    sheet.line(tip,
               {tip.x + head * (way.x * c - way.y * d), tip.y + head * (way.x * d + way.y * c)},
               s.line);
  }
  const PicturePoint middle{from.x + 1.35 * size * way.x, from.y + 1.35 * size * way.y};
  sheet.text(static_cast<int>(std::lround(middle.x)) - letter_width * s.cell / 2,
             static_cast<int>(std::lround(middle.y)) - letter_height * s.cell / 2, s.cell, label);
}

void draw_object(Sheet& sheet, const MarkedObject& object, const Sizes& s, Size picture) {
  const bool inside = object.at.x >= 0 && object.at.y >= 0 && object.at.x < picture.width &&
                      object.at.y < picture.height;
  if (!inside) return;
  const double radius = std::max(object.radius_px, 6.0 * s.cell);
  sheet.ring(object.at, radius, s.line);
  const int wide = width_of(object.label, s.cell);
  int x = static_cast<int>(object.at.x + radius) + 3 * s.cell;
  if (x + wide > picture.width) x = static_cast<int>(object.at.x - radius) - 3 * s.cell - wide;
  sheet.text(std::max(x, 0), static_cast<int>(object.at.y) - letter_height * s.cell / 2, s.cell,
             object.label);
}

}  // namespace

void annotate(LightPicture& picture, const Annotations& annotations) {
  if (picture.width < 1 || picture.height < 1) return;
  const Sizes sizes(picture);
  Sheet sheet(picture.width, picture.height);
  for (const auto& object : annotations.objects)
    draw_object(sheet, object, sizes, {picture.width, picture.height});
  if (annotations.bar) draw_bar(sheet, *annotations.bar, sizes, picture.height);
  if (annotations.compass) {
    const double away = 44.0 * sizes.cell;
    const PicturePoint origin{picture.width - away, picture.height - away};
    draw_arrow(sheet, origin, annotations.compass->north, "N", sizes);
    draw_arrow(sheet, origin, annotations.compass->east, "E", sizes);
  }
  sheet.lay_on(picture, sizes.cell);
}

ScaleBar scale_bar(double arcsec_per_px, int width_px) {
  struct Unit {
    double arcsec;
    const char* name;
  };
  constexpr Unit units[] = {{3600.0, "deg"}, {60.0, "arcmin"}, {1.0, "arcsec"}};
  constexpr double counts[] = {30, 20, 15, 10, 5, 3, 2, 1};
  const double most = 0.25 * width_px * arcsec_per_px;
  for (const auto& unit : units) {
    for (const double count : counts) {
      if (count * unit.arcsec > most) continue;
      return {count * unit.arcsec / arcsec_per_px, fmt::format("{:.0f} {}", count, unit.name)};
    }
  }
  return {1.0 / arcsec_per_px, "1 arcsec"};
}

}  // namespace coldframe::view
