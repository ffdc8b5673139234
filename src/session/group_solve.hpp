// Position and depth of a result, as a step of the job.
#pragma once

#include "coldframe/fits/file_writer.hpp"
#include "coldframe/stars/measure.hpp"
#include "group_work.hpp"

namespace coldframe::session {

/// Takes the cards of the reference's own solution out of `header` when a catalogue promises a
/// better one, and returns them.
[[nodiscard]] Header set_solution_aside(Header& header, const RunOptions& options);

/// Cards and tables for the result's file.
struct SolvedParts {
  Header cards;
  std::vector<fits::Table> tables;
};
/// Solves the result from its measured stars, sets the row's and the subs' figures and writes the
/// photometric table beside the result. `old_cards`: used when it cannot be solved. Faults of the
/// catalogue become warnings: hours of work do not fail on them.
[[nodiscard]] SolvedParts solve_result(const GroupState& group, CombineContext& context, int result,
                                       const stars::FrameMeasurement& measured,
                                       const pipeline::CombineTotals& totals,
                                       const Header& old_cards);

/// The result's solution in a header that was moved on to another canvas; `finer`: its pixels per
/// result pixel.
void set_moved_solution(Header& header, const ResultRecord& row, Size canvas, double finer);

/// Loss of light against airmass over the subs of a result.
[[nodiscard]] std::optional<sky::Extinction> extinction_of(const SessionRecord& record, int result);

/// Colour balance of a three-plane result, from the catalogue's colours or the stars' mean.
[[nodiscard]] std::optional<sky::ColourBalance> balance_result(
    const std::filesystem::path& image, const stars::FrameMeasurement& measured,
    const ResultRecord& row, const SolvingOptions& options);

}  // namespace coldframe::session
