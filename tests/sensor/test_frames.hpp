// Frames for the tests of `sensor`: a camera of one line per effect, written here so that
// nothing under test takes part in making them.
#pragma once

#include <cmath>
#include <cstdint>
#include <functional>
#include <memory>
#include <vector>

#include "catch.hpp"
#include "coldframe/core/cfa.hpp"
#include "coldframe/core/image.hpp"
#include "coldframe/core/pixel_source.hpp"
#include "coldframe/core/random.hpp"

namespace test_frames {

// The class of approximate comparison under both generations of Catch2.
#if __has_include(<catch2/catch_test_macros.hpp>)
using Near = Catch::Approx;
#else
using Near = Catch::Detail::Approx;
#endif

using coldframe::Grid;
using coldframe::PixelSource;
using coldframe::PlaneView;
using coldframe::RandomStream;
using coldframe::Rect;
using coldframe::Size;

class MemorySource : public PixelSource {
 public:
  explicit MemorySource(Grid<float> pixels) : pixels_(std::move(pixels)) {}
  [[nodiscard]] Size size() const noexcept override { return pixels_.size(); }
  [[nodiscard]] int planes() const noexcept override { return 1; }
  void fill(int, const Rect& rect, PlaneView<float> values) const override {
    for (int y = rect.y0; y < rect.y1; ++y) {
      for (int x = rect.x0; x < rect.x1; ++x) values(x - rect.x0, y - rect.y0) = pixels_(x, y);
    }
  }
  Grid<float>& pixels() { return pixels_; }

 private:
  Grid<float> pixels_;
};

/// Frames and the pointers `build_master` wants.
struct Stack {
  std::vector<std::unique_ptr<MemorySource>> frames;
  std::vector<const PixelSource*> pointers;
  void add(Grid<float> pixels) {
    frames.push_back(std::make_unique<MemorySource>(std::move(pixels)));
    pointers.push_back(frames.back().get());
  }
};

struct Camera {
  double gain_e_per_adu = 1.0;
  double read_noise_e = 3.0;
  double offset_adu = 500.0;
};

/// Codes of one exposure whose expectation is `electrons(x, y)`; photon noise as a normal of the
/// same variance (the means here are large or the noise is the read-out's).
inline Grid<float> expose(Size size, const Camera& camera, std::uint64_t seed, std::uint32_t frame,
                          const std::function<double(int, int)>& electrons) {
  Grid<float> result(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(seed, frame, static_cast<std::uint64_t>(y));
    for (int x = 0; x < size.width; ++x) {
      const double light = electrons(x, y);
      const double variance = light + camera.read_noise_e * camera.read_noise_e;
      const double value = light + std::sqrt(variance) * random.normal();
      result(x, y) =
          static_cast<float>(std::round(value / camera.gain_e_per_adu + camera.offset_adu));
    }
  }
  return result;
}

inline bool same_bits(PlaneView<const float> a, PlaneView<const float> b) {
  if (a.size() != b.size()) return false;
  for (int y = 0; y < a.height(); ++y) {
    for (int x = 0; x < a.width(); ++x) {
      const bool both_nan = std::isnan(a(x, y)) && std::isnan(b(x, y));
      if (a(x, y) != b(x, y) && !both_nan) return false;
    }
  }
  return true;
}

inline Grid<float> noise_plane(Size size, std::uint64_t seed, double mean, double sd) {
  Grid<float> plane(size);
  for (int y = 0; y < size.height; ++y) {
    RandomStream random(seed, 7, static_cast<std::uint64_t>(y));
    for (float& v : plane.row(y)) v = static_cast<float>(mean + sd * random.normal());
  }
  return plane;
}

using coldframe::CfaPattern;

inline constexpr CfaPattern all_patterns[] = {CfaPattern::rggb, CfaPattern::bggr, CfaPattern::grbg,
                                              CfaPattern::gbrg};

/// What a mosaic sensor sees of three planes.
template <typename F>
Grid<float> mosaic_of(Size size, CfaPattern pattern, F&& value) {
  Grid<float> mosaic(size);
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) {
      mosaic(x, y) = static_cast<float>(value(coldframe::cfa_colour(pattern, x, y), x, y));
    }
  }
  return mosaic;
}

}  // namespace test_frames
