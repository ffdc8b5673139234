/// \file
/// Fine measurement of one line: position, ends, width, significance.
#pragma once

#include <span>
#include <vector>

#include "coldframe/stack/trails.hpp"
#include "radon.hpp"
#include "trail_specks.hpp"
#include "trail_sums_kernel.hpp"

namespace coldframe::stack::detail {

/// y = start + slope * x, |slope| <= 1, in one orientation of the picture.
struct Line {
  double start = 0.0;
  double slope = 0.0;
};

inline constexpr double per_fixed_end = stack::per_fixed_end;

/// A line with the matched sums along it.
struct LineFit {
  Line line;
  double sigma = 0.0;  ///< of the Gaussian cross profile, pixels
  int x0 = 0;          ///< columns [x0, x1)
  int x1 = 0;
  int fixed_ends = 0;  ///< ends beyond which nothing of the line can be seen
  double significance = 0.0;
  double amplitude = 0.0;  ///< peak of the profile
  /// What decides between segments: a free end was chosen among many places and is high by accident
  /// more easily.
  [[nodiscard]] double merit() const noexcept { return significance + per_fixed_end * fixed_ends; }
};

/// Matched filter along lines: per column the sums of profile * value and profile^2 over good
/// pixels.
class LineMeter {
 public:
  /// `across` is the same picture with x and y exchanged: its rows are this one's columns.
  LineMeter(const TrailPicture& picture, const TrailPicture& across, double min_length) noexcept;
  /// The most significant interval of the line for one profile.
  [[nodiscard]] LineFit measure(const Line& line, double sigma);
  /// Moves the line to the highest merit: by one step of a pixel, or (four) by ever smaller ones
  /// until nothing is gained.
  [[nodiscard]] LineFit improve(LineFit fit, std::size_t steps);
  /// Settles the ends to the pixel and joins a short rest up to the picture's edge.
  [[nodiscard]] LineFit settle_ends(LineFit fit);
  /// Lengthens the segment as far as fainter light goes on along the line: trails that
  /// fade, spindles, the last flash of an aircraft.
  [[nodiscard]] LineFit extend(LineFit fit);
  /// Significance of the segment when these pixels (of this orientation) do not count.
  [[nodiscard]] double significance_without(const LineFit& fit, std::span<const SpeckPixel> specks);
  /// Light all along: most of sixteen pieces positive, and enough left without the four brightest.
  [[nodiscard]] bool spread_out(const LineFit& fit);
  /// Lit pieces in numbers that the rest of the picture, seen along lines beside this one, does not
  /// explain: dashes and flashes.
  [[nodiscard]] bool interrupted(const LineFit& fit);

 private:
  void fill_sums(const Line& line, double sigma);
  [[nodiscard]] const std::vector<float>& profile_of(double sigma);
  void fill_taps(double sigma, double cosine, int radius);
  void cross(const Line& line, int x, int radius, Crossing& out) const noexcept;
  struct Pieces {
    int seen = 0;
    int lit = 0;
    int groups = 0;  ///< of neighbouring lit pieces
    int first = 0;   ///< column of the first lit piece
    int last = 0;    ///< and of the end of the last
  };
  [[nodiscard]] Pieces count_pieces(int x0, int x1) const noexcept;
  [[nodiscard]] double significance(int x0, int x1) const noexcept;
  [[nodiscard]] int fixed_ends(int x0, int x1) const noexcept;
  void best_interval(LineFit& fit, int step) const noexcept;

  const TrailPicture& picture_;
  const TrailPicture& across_;
  double min_length_;
  std::vector<double> matched_;  ///< prefix sums over columns
  std::vector<double> norm_;
  struct Profile {
    double sigma = 0.0;
    std::vector<float> values;
  };
  std::vector<Profile> profiles_;  ///< of all widths asked for
  std::vector<float> taps_;        ///< per phase of the line between two pixels, with their squares
};

}  // namespace coldframe::stack::detail
