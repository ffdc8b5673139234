// How noise of raw pixels arrives in the samples that are combined, per sub and plane.
#pragma once

#include <vector>

#include "coldframe/pipeline/combine_pass.hpp"
#include "common_noise.hpp"

namespace coldframe::pipeline {

class SampleGains {
 public:
  SampleGains(std::span<const CombineSub> subs, const CombineSettings& settings);

  /// Variance of a resampled sample over that of a raw one; < 0: the kernel's own at each place
  /// (smooth phases of a mono frame).
  [[nodiscard]] double gain(std::size_t sub, std::size_t plane) const noexcept {
    return of(plane)[sub];
  }
  [[nodiscard]] std::span<const double> of(std::size_t plane) const noexcept {
    return std::span(gains_).subspan(plane * subs_.size(), subs_.size());
  }
  /// The factors of UNCERT for apertures, mean over the canvas.
  [[nodiscard]] ApertureFactors aperture_factors(std::size_t plane,
                                                 const CommonNoise& common) const;
  /// Variance of the mean of an aperture (index 1: 8 x 8) that the subs share, mean over the
  /// canvas.
  [[nodiscard]] double common_variance(std::size_t plane, const CommonNoise& common) const;

 private:
  struct Variances {
    double pixel = 0.0;
    ApertureFactors aperture{};
    ApertureFactors common{};
    int places = 0;
  };
  void add_places(std::size_t plane, const CommonNoise& common, Variances& sums) const;
  void add_place(Point centre, std::size_t plane, const CommonNoise& common, Variances& sums) const;
  [[nodiscard]] const NoiseResponse& response_of(const CombineSub& sub);
  [[nodiscard]] const NoiseResponse* known_response(const CombineSub& sub) const noexcept;
  [[nodiscard]] double aperture_response_of(const CombineSub& sub, std::size_t plane, std::size_t k,
                                            Point in_sub) const;
  [[nodiscard]] double mean_response(const CombineSub& sub, std::size_t k) const;
  void keep_mean_responses(const CombineSub& sub);
  /// Sub pixels per canvas pixel along an axis.
  [[nodiscard]] double step(const CombineSub& sub) const noexcept;
  [[nodiscard]] Point middle() const noexcept;
  [[nodiscard]] bool exact(const CombineSub& sub) const noexcept;

  std::span<const CombineSub> subs_;
  const CombineSettings& settings_;
  std::vector<double> gains_;  ///< [plane * subs + sub]
  struct KnownResponse {
    CfaPattern cfa;
    double step;
    NoiseResponse response;
  };
  std::vector<KnownResponse> responses_;  ///< of mosaics
  struct MeanResponse {
    double step = 1.0;
    ApertureFactors factors{};
  };
  std::vector<MeanResponse> mean_responses_;
};

}  // namespace coldframe::pipeline
