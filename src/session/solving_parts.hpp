// Solving as the steps of a job need it: facts in, cards, tables and JSON out.
#pragma once

#include <functional>
#include <nlohmann/json.hpp>
#include <span>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/star.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/session/solving.hpp"
#include "coldframe/stars/measure.hpp"

namespace coldframe::session {

/// What is known of an image whose stars have been measured.
struct MeasuredImage {
  Size frame;
  std::span<const Star> stars;
  stars::FrameQuality quality;
  std::optional<SkyPoint> pointing;
  std::optional<double> arcsec_per_px;
  std::optional<double> exposure_s;  ///< that the counts belong to
  double noise_per_px = 0.0;
  std::optional<double> sky_per_px;  ///< unset: unknown, or taken out
  /// Error of the sum over side x side pixels over the quadrature sum.
  std::function<double(double side)> noise_factor;
};

/// Julian year of a moment in seconds since 1970.
[[nodiscard]] double year_of(double utc_s) noexcept;

/// Between the sides that are known (rising), linear in the logarithm of the side.
[[nodiscard]] double factor_at(std::span<const std::pair<double, double>> known, double side);

/// Year of the middle of an exposure; unset without a time.
[[nodiscard]] std::optional<double> year_of(const FrameInfo& info) noexcept;

/// Solves, photometers, tells the depth. Throws Error(usage) when position or scale is neither in
/// the header nor given.
[[nodiscard]] SolvedImage solve_image(const MeasuredImage& image, const Catalogue& catalogue,
                                      const SolvingOptions& options, Threads threads);

/// Rows of the photometric table; marks `zero_point` flags from the fit.
[[nodiscard]] std::vector<PhotometryRow> photometry_rows(const MeasuredImage& image,
                                                         const Catalogue& catalogue,
                                                         const SolvedImage& solved);
[[nodiscard]] fits::Table photometry_table(const SolvedImage& solved);
[[nodiscard]] std::string photometry_csv(const SolvedImage& solved);

/// Cards of the solution and the depth for an image's header.
[[nodiscard]] Header solved_cards(const SolvedImage& solved);

/// The solution as FITS cards, null when there is none.
[[nodiscard]] nlohmann::ordered_json wcs_json(const sky::TanSip& wcs);
[[nodiscard]] nlohmann::ordered_json solution_json(const SolvedImage& solved);
[[nodiscard]] nlohmann::ordered_json depth_json(const Depth& depth);
[[nodiscard]] nlohmann::ordered_json extinction_json(const sky::Extinction& extinction);
[[nodiscard]] nlohmann::ordered_json balance_json(const sky::ColourBalance& balance);

}  // namespace coldframe::session
