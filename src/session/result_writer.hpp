// The result of one group on disk (design section 6).
#pragma once

#include <filesystem>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "coldframe/fits/file_writer.hpp"
#include "coldframe/pipeline/combine_pass.hpp"
#include "coldframe/session/record.hpp"
#include "group_state.hpp"

namespace coldframe::session {

/// Takes strips as they come and keeps what the end of the job needs: one plane to measure.
class ResultWriter {
 public:
  ResultWriter(std::filesystem::path path, Size canvas, int planes, const Header& header);
  void write(const pipeline::ResultStrip& strip);
  /// Adds NOISCORR, the tables and commits.
  void finish(const pipeline::CombineTotals& totals, const Header& late_cards,
              const std::vector<fits::Table>& tables);
  /// The plane stars are measured on (green of three).
  [[nodiscard]] Grid<float> take_kept_plane() noexcept { return std::move(kept_); }
  /// FLAGS of that plane.
  [[nodiscard]] Mask take_kept_flags() noexcept { return std::move(kept_flags_); }
  /// UNCERT of that plane at every 16th pixel of every 16th row.
  [[nodiscard]] const std::vector<double>& sampled_uncertainty() const noexcept { return sampled_; }

 private:
  void keep(const pipeline::ResultStrip& strip);
  Size canvas_;
  int planes_;
  fits::FileWriter writer_;
  int mean_ = 0, uncert_ = 0, mask_ = 0, flags_ = 0, weight_ = 0, low_ = 0, high_ = 0;
  Grid<float> kept_;
  Mask kept_flags_;
  std::vector<double> sampled_;
};

/// The largest factor of all planes for one of pipeline::aperture_sides.
[[nodiscard]] double largest_correlation(const pipeline::CombineTotals& totals,
                                         std::size_t aperture);

/// Header of the result: the reference's cards without what no longer holds, plus ours.
[[nodiscard]] Header result_header(const Header& reference, const GroupState& group,
                                   const SessionRecord& record, const RunOptions& options,
                                   PixelUnit unit);

[[nodiscard]] fits::Table subs_table(const SessionRecord& record, int result);

}  // namespace coldframe::session
