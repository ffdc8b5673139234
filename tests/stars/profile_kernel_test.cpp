#include "stars/profile_kernel.hpp"

#include <hwy/targets.h>

#include <cmath>
#include <cstring>
#include <vector>

#include "catch.hpp"

using namespace coldframe::stars;

namespace {

constexpr std::size_t pixels = 21 * 21;  // no multiple of any vector's length

struct Buffers {
  std::vector<float> x, y, out;
  Buffers() : out(7 * pixels, -1.0F) {
    for (int j = -10; j <= 10; ++j) {
      for (int i = -10; i <= 10; ++i) {
        x.push_back(static_cast<float>(i));
        y.push_back(static_cast<float>(j));
      }
    }
  }
  ProfileArrays arrays() {
    float* p = out.data();
    return {x.data(),       y.data(),       p,
            p + pixels,     p + 2 * pixels, p + 3 * pixels,
            p + 4 * pixels, p + 5 * pixels, p + 6 * pixels};
  }
};

ProfileShape shape_with(double fwhm, double beta, bool gaussian) {
  const double b = 1.0 / beta;
  ProfileShape shape;
  shape.x = 0.31F;
  shape.y = -0.17F;
  shape.s11 = static_cast<float>(4.0 / (fwhm * fwhm));
  shape.s22 = 1.2F * shape.s11;
  shape.s12 = 0.1F * shape.s11;
  shape.k = static_cast<float>(std::exp2(b) - 1.0);
  shape.beta = static_cast<float>(beta);
  shape.log_factor = static_cast<float>(std::log(2.0) / (b * b));
  shape.slope_factor = static_cast<float>(std::log(2.0) * std::exp2(b) / b);
  shape.gaussian = gaussian;
  return shape;
}

PixelNodes four_nodes() {
  PixelNodes nodes;
  for (const float y : {-0.2886751F, 0.2886751F}) {
    for (const float x : {-0.2886751F, 0.2886751F}) {
      nodes.x[nodes.count] = x;
      nodes.y[nodes.count] = y;
      nodes.weight[nodes.count++] = 0.25F;
    }
  }
  return nodes;
}

}  // namespace

TEST_CASE("every instruction set integrates star profiles to the same bits") {
  const PixelNodes nodes = four_nodes();
  int targets = 0;
  for (std::int64_t rest = static_cast<std::int64_t>(hwy::SupportedTargets()); rest != 0;
       rest &= rest - 1) {
    hwy::SetSupportedTargetsForTest(static_cast<decltype(hwy::SupportedTargets())>(rest & -rest));
    hwy::GetChosenTarget().Update(hwy::SupportedTargets());
    ++targets;
    // The narrow Gaussian underflows in its wings: that path counts too.
    for (const ProfileShape& shape :
         {shape_with(2.6, 3.3, false), shape_with(0.8, 60.0, false), shape_with(9.0, 1.5, false),
          shape_with(0.5, 2.0, true), shape_with(3.0, 2.0, true)}) {
      Buffers scalar;
      Buffers vector;
      integrate_profile_scalar(shape, nodes, scalar.arrays(), pixels);
      integrate_profile(shape, nodes, vector.arrays(), pixels);
      INFO("target " << (rest & -rest) << " beta " << shape.beta << " gaussian " << shape.gaussian);
      CHECK(std::memcmp(scalar.out.data(), vector.out.data(), scalar.out.size() * sizeof(float)) ==
            0);
      std::vector<float> light(pixels, -1.0F);
      std::vector<float> light_scalar(pixels, -2.0F);
      integrate_light(shape, nodes, vector.x.data(), vector.y.data(), light.data(), pixels);
      integrate_light_scalar(shape, nodes, vector.x.data(), vector.y.data(), light_scalar.data(),
                             pixels);
      CHECK(std::memcmp(light.data(), scalar.out.data(), pixels * sizeof(float)) == 0);
      CHECK(std::memcmp(light.data(), light_scalar.data(), pixels * sizeof(float)) == 0);
      for (const std::size_t n : {pixels, std::size_t{3}, std::size_t{32}}) {
        CHECK(dot(scalar.out.data(), light.data(), n) ==
              dot_scalar(scalar.out.data(), light.data(), n));
      }
    }
  }
  hwy::SetSupportedTargetsForTest(0);
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  CHECK(targets >= 1);
}

TEST_CASE("the kernel's own logarithm and exponential against the library's") {
  PixelNodes centre;
  centre.weight[0] = 1.0F;
  centre.count = 1;
  for (const bool gaussian : {false, true}) {
    for (const double beta : {1.5, 3.0, 10.0}) {
      const ProfileShape p = shape_with(4.0, beta, gaussian);
      Buffers buffers;
      integrate_profile(p, centre, buffers.arrays(), pixels);
      for (std::size_t i = 0; i < pixels; ++i) {
        const double dx = static_cast<double>(buffers.x[i] - p.x);
        const double dy = static_cast<double>(buffers.y[i] - p.y);
        const double s = static_cast<double>(p.s11) * dx * dx +
                         2.0 * static_cast<double>(p.s12) * dx * dy +
                         static_cast<double>(p.s22) * dy * dy;
        const double expected =
            gaussian ? std::exp2(-s) : std::pow(1.0 + static_cast<double>(p.k) * s, -beta);
        CHECK(std::abs(static_cast<double>(buffers.out[i]) - expected) <= 1e-7 + 4e-6 * expected);
      }
    }
  }
}
