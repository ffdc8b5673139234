/// \file
/// The sky without what moves: a robust mean of registered previews, which can be had without
/// any one of them.
#pragma once

#include <vector>

#include "coldframe/core/chebyshev.hpp"
#include "trail_preview.hpp"

namespace coldframe::pipeline::detail {

/// What one sub is compared with, on the canvas' grid. The sub itself has no part in it, so a
/// trail is seen in full however few the subs are.
struct SubModel {
  Grid<float> full;    ///< mean of the others
  Grid<float> known;   ///< the same where it stands out of its own noise, else the smooth sky alone
  Grid<float> weight;  ///< of the mean, in subs of the model's scale; 0 = nobody sees it
};

/// Previews are in units of their own noise; each is brought to the common scale and level first.
class TrailModel {
 public:
  TrailModel(std::vector<Picture> members, Size size, Threads threads);
  /// Of all members.
  [[nodiscard]] SubModel of_all() const;
  /// `member`: the registered preview of the sub that took part as number `index`, left out again.
  [[nodiscard]] SubModel without(std::size_t index, Picture member) const;
  /// Stars and their surroundings: they leave residuals when the seeing changes.
  [[nodiscard]] const Mask& stars() const noexcept { return stars_; }
  /// Noise of a place relative to the frame's: bright galaxies, crowded fields, dark corners.
  [[nodiscard]] const Grid<float>& noise() const noexcept { return noise_; }

 private:
  struct Levelled {
    Picture picture;
    float scale = 1.0F;
  };
  [[nodiscard]] Levelled level(const Picture& member) const;
  [[nodiscard]] SubModel model_without(const Levelled* own) const;
  void average(const std::vector<Levelled>& members, Threads threads);
  void map_noise(const Grid<float>& spread);
  void mark_stars();
  void keep_what_is_seen(SubModel& model) const;
  [[nodiscard]] bool accepted(const Levelled& member, int i, int j) const noexcept;

  std::vector<ChebyshevSurface> skies_;  ///< per member, to the middle one's sky
  Grid<float> first_centre_;             ///< median before the members were made level
  Grid<float> centre_;                   ///< and after
  Grid<float> sum_;
  Grid<float> weight_;
  Grid<float> spread_;
  Grid<float> noise_;
  Mask stars_;
};

}  // namespace coldframe::pipeline::detail
