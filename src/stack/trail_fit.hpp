/// \file
/// Fine measurement of one line: position, ends, width, significance.
#pragma once

#include <vector>

#include "radon.hpp"

namespace coldframe::stack::detail {

/// y = start + slope * x, |slope| <= 1, in one orientation of the picture.
struct Line {
  double start = 0.0;
  double slope = 0.0;
};

/// A line with the matched sums along it.
struct LineFit {
  Line line;
  double sigma = 0.0;  ///< of the Gaussian cross profile, pixels
  int x0 = 0;          ///< columns [x0, x1)
  int x1 = 0;
  double significance = 0.0;
  double amplitude = 0.0;  ///< peak of the profile
};

/// Matched filter along lines: per column the sums of profile * value and profile^2 over good
/// pixels.
class LineMeter {
 public:
  LineMeter(const TrailPicture& picture, double min_length) noexcept;
  /// The most significant interval of the line for one profile.
  [[nodiscard]] LineFit measure(const Line& line, double sigma);
  /// Moves the line by ever smaller steps to the highest significance.
  [[nodiscard]] LineFit improve(LineFit fit);
  /// Settles the ends to the pixel and joins a short rest up to the picture's edge.
  [[nodiscard]] LineFit settle_ends(LineFit fit);
  /// Ends of the segment beyond which more of its line can be seen: 0 to 2.
  [[nodiscard]] int free_ends(const LineFit& fit);
  /// Lengthens the segment as far as fainter light goes on along the line: trails that
  /// fade, spindles, the last flash of an aircraft.
  [[nodiscard]] LineFit extend(LineFit fit);
  /// Light all along: most of sixteen pieces positive, and enough left without the four brightest.
  [[nodiscard]] bool spread_out(const LineFit& fit);
  /// Lit pieces in numbers that the rest of the picture, seen along lines beside this one, does not
  /// explain: dashes and flashes.
  [[nodiscard]] bool interrupted(const LineFit& fit);

 private:
  void fill_sums(const Line& line, double sigma);
  struct Pieces {
    int seen = 0;
    int lit = 0;
    int groups = 0;  ///< of neighbouring lit pieces
    int first = 0;   ///< column of the first lit piece
    int last = 0;    ///< and of the end of the last
  };
  [[nodiscard]] Pieces count_pieces(int x0, int x1) const noexcept;
  [[nodiscard]] double significance(int x0, int x1) const noexcept;
  void best_interval(LineFit& fit, int step) const noexcept;

  const TrailPicture& picture_;
  double min_length_;
  std::vector<double> matched_;  ///< prefix sums over columns
  std::vector<double> norm_;
  std::vector<float> profile_;
};

}  // namespace coldframe::stack::detail
