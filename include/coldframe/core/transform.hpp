/// \file
/// Mappings between pixel coordinates of two frames.
///
/// Direction: a sub's `Transform` maps sub -> reference. Polynomial terms are
/// ordered by total degree and within it by falling power of u: 1, u, v, u^2,
/// uv, v^2, ... with u = (x - x0)/s, v = (y - y0)/s; the value is the reference
/// position itself (not a correction). `matrix` is then the affine part.
#pragma once

#include <array>
#include <optional>
#include <string_view>
#include <vector>

#include "coldframe/core/geometry.hpp"

namespace coldframe {

enum class TransformModel { similarity, affine, homography, polynomial };

[[nodiscard]] std::string_view to_string(TransformModel model) noexcept;

/// A mapping near one point.
struct LocalMap {
  Point value;
  std::array<double, 4> jacobian{};  ///< dx'/dx, dx'/dy, dy'/dx, dy'/dy

  /// Area of a small figure's image over its own; negative where the mapping mirrors.
  [[nodiscard]] double determinant() const noexcept {
    return jacobian[0] * jacobian[3] - jacobian[1] * jacobian[2];
  }
};

/// Two polynomials of one total degree in normalised coordinates.
struct Polynomial2 {
  int order = 1;
  Point centre;
  double scale = 1.0;
  std::vector<double> x;  ///< (order+1)(order+2)/2 coefficients
  std::vector<double> y;

  [[nodiscard]] Point evaluate(Point p) const noexcept;
  /// Value and derivatives by pixels.
  [[nodiscard]] LocalMap local(Point p) const noexcept;
  [[nodiscard]] static std::size_t terms(int order) noexcept {
    return static_cast<std::size_t>((order + 1) * (order + 2) / 2);
  }
};

/// A mapping of the plane. The default is the identity.
struct Transform {
  TransformModel model = TransformModel::similarity;
  /// Row-major 3x3 homogeneous matrix.
  std::array<double, 9> matrix{1, 0, 0, 0, 1, 0, 0, 0, 1};
  std::optional<Polynomial2> polynomial;

  [[nodiscard]] Point apply(Point p) const noexcept;
  /// The point whose image is `p`: exact for matrices, by Newton iteration to
  /// 1e-9 px for polynomials (last iterate when it does not settle).
  [[nodiscard]] Point unapply(Point p) const noexcept;
  /// Linear part at `p`: {dx'/dx, dx'/dy, dy'/dx, dy'/dy}.
  [[nodiscard]] std::array<double, 4> jacobian(Point p) const noexcept;
  /// `apply` and `jacobian` in one go.
  [[nodiscard]] LocalMap local(Point p) const noexcept;
  /// Area of one pixel of the grid mapped to, in pixels of the grid mapped from, about `p`. Pixel
  /// values are light per pixel: resampled, a level appears multiplied by it.
  [[nodiscard]] double source_area(Point p) const noexcept;
  /// This mapping followed by `outer`, exactly: matrices multiply, a polynomial keeps its order.
  /// Throws coldframe::Error(usage) when `outer` is a polynomial, or a homography after one.
  [[nodiscard]] Transform then(const Transform& outer) const;
  /// Inverse of a matrix model. Polynomial models have none here: use `unapply`.
  [[nodiscard]] std::optional<Transform> inverse() const noexcept;

  [[nodiscard]] static Transform affine(double a, double b, double tx, double c, double d,
                                        double ty) noexcept;
};

}  // namespace coldframe
