/// \file
/// Positions of destination pixels in the source frame, row by row.
#pragma once

#include <array>
#include <vector>

#include "coldframe/core/geometry.hpp"
#include "coldframe/core/transform.hpp"

namespace coldframe::align {

/// Inverse of a transform on the pixels of a rectangle. Matrices are evaluated at
/// every pixel. Polynomials are inverted by Newton iteration on nodes at multiples
/// of 32 px of the absolute grid and interpolated by bicubic Lagrange polynomials,
/// so that a position never depends on the rectangle asked for.
class InverseGrid {
 public:
  InverseGrid(const Transform& sub_to_reference, const Rect& destination);

  /// Source positions of (x0, y) ... (x0 + n - 1, y), and the area ratio
  /// |det d(source)/d(destination)|. NaN where the inversion has no answer.
  void row(int x0, int y, int n, double* sx, double* sy, double* area);
  /// Straight rows at one scale: positions are linear in x, the area ratio is constant.
  [[nodiscard]] bool linear() const noexcept {
    return invertible_ && !forward_.polynomial && forward_.matrix[6] == 0.0 &&
           forward_.matrix[7] == 0.0;
  }
  /// Of a straight row y: source position (xs x + xo, ys x + yo).
  struct Line {
    double xs = 0.0, xo = 0.0, ys = 0.0, yo = 0.0, area = 0.0;
  };
  /// Only when `linear`.
  [[nodiscard]] Line line(int y) const noexcept;
  /// Source position of one destination point, off the pixels too; NaN likewise.
  [[nodiscard]] Point at(Point destination) const;

 private:
  struct Inverted {
    Point source;
    double area = 0.0;
  };
  [[nodiscard]] Inverted invert(Point destination) const;
  void matrix_row(int x0, int y, int n, double* sx, double* sy, double* area) const;
  void prepare_row(int y);
  [[nodiscard]] const double* node(int column, int row) const;

  static constexpr int spacing = 32;
  Transform forward_;
  std::array<double, 9> inverse_{};
  bool invertible_ = false;
  int first_column_ = 0, first_row_ = 0, columns_ = 0, rows_ = 0;
  std::vector<double> nodes_;      ///< sx, sy, area per node
  std::vector<double> row_nodes_;  ///< the same interpolated to one row
  int prepared_row_ = 0;
  bool prepared_ = false;
};

}  // namespace coldframe::align
