/// \file
/// The light of all sources as fitted so far: what a fit of some of them takes as given around
/// it, and what detection takes away before it looks for fainter ones (Stetson 1987, PASP 99,
/// 191).
#pragma once

#include <span>
#include <vector>

#include "coldframe/core/parallel.hpp"
#include "stars/neighbour_grid.hpp"
#include "stars/profile_kernel.hpp"
#include "stars/source.hpp"

namespace coldframe::stars {

class LightModel {
 public:
  /// Sources without a fit count with their first guess and the field's profile; light below a
  /// tenth of `sigma` (noise of a sky pixel) is left out.
  LightModel(const std::vector<Source>& sources, const FieldProfile& profile, Size frame,
             double sigma);

  /// Adds the light of all sources but `members` (sorted) at `count` pixels, given relative to
  /// (ox, oy).
  void add_around(std::span<const std::size_t> members, int ox, int oy, const float* x,
                  const float* y, std::size_t count, float* out) const noexcept;

  /// Draws the whole frame; `add_around` then reads it there instead of summing neighbours.
  void draw(Threads threads);
  [[nodiscard]] const Grid<float>& drawn() const noexcept { return drawn_; }
  [[nodiscard]] bool is_drawn() const noexcept { return drawn_.width() > 0; }

 private:
  struct Body {
    double x = 0.0, y = 0.0;
    ProfileShape shape;  ///< its place is filled in relative to the pixels at hand
    float peak = 0.0F;
    float near2 = 0.0F;  ///< within: integrated over pixels
    double reach = 0.0;
  };
  void add_body(const Body& body, float sign, int ox, int oy, const float* x, const float* y,
                std::size_t count, float* out) const noexcept;
  void draw_band(int y0, int y1);

  std::vector<Body> bodies_;
  std::vector<Point> places_;
  NeighbourGrid grid_;
  double longest_ = 0.0;
  PixelNodes inner_;
  PixelNodes outer_;
  Grid<float> drawn_;
};

/// The model without some of its sources, for a fit of these.
class AllBut final : public OtherLight {
 public:
  AllBut(const LightModel& model, std::span<const std::size_t> members) noexcept
      : model_(model), members_(members) {}
  void add(int ox, int oy, const float* x, const float* y, std::size_t count,
           float* out) const noexcept override {
    model_.add_around(members_, ox, oy, x, y, count, out);
  }

 private:
  const LightModel& model_;
  std::span<const std::size_t> members_;
};

}  // namespace coldframe::stars
