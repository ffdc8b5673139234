/// \file
/// Whether and how the dark current of one set of darks can stand for another exposure or
/// temperature.
///
/// Dark current grows in proportion to the exposure and exponentially with temperature (doubling
/// every 5 to 8 C: Widenhorn et al. 2002, Proc. SPIE 4669, 193). Light of the read-out amplifier
/// does neither.
#pragma once

#include <optional>
#include <span>
#include <vector>

#include "coldframe/core/image.hpp"
#include "coldframe/sensor/ladders.hpp"

namespace coldframe::sensor {

/// Dark rate of a set over that of one common reference set.
struct RelativeRate {
  double temperature_c = 0.0;
  double ratio = 1.0;
  double error = 0.0;
};
/// From rates at two or more temperatures that lie at least `least_ladder_c` apart; unset when they
/// do not show it. Thermometers are trusted to 0.2 C each, which goes into the error.
[[nodiscard]] std::optional<Doubling> doubling_of_ratios(std::span<const RelativeRate> rates);
inline constexpr double least_ladder_c = 3.0;

/// Usual value of square cells of a plane, row by row from (0, 0): `columns` x `rows`.
struct CellMap {
  int columns = 0;
  int rows = 0;
  std::vector<double> values;  ///< NaN: no finite pixel
};
[[nodiscard]] CellMap empty_cells(Size frame, int cell_px);
/// Medians of the cells that lie in `band` (its first row a multiple of the cell), of every
/// second pixel in x and y when `one_colour`.
void fill_cells(PlaneView<const float> band, int y0, int cell_px, bool one_colour, CellMap& cells);

/// Smooth signal that a scaled dark leaves in what it should remove.
struct SmoothResidue {
  bool shows = false;
  double pattern_adu = 0.0;  ///< range of the scaled dark's smooth part
  double left_adu = 0.0;     ///< of it left over (positive) or taken too much, over the frame
};
/// `scaled`: the dark's cells, bias removed, times its factor; `measured`: those of frames it
/// should equal but for a level (and a plane, `with_plane`). Shows when more than 15% of the
/// pattern and more than `least_adu` are left, at five errors.
[[nodiscard]] SmoothResidue smooth_residue(const CellMap& scaled, const CellMap& measured,
                                           bool with_plane, double least_adu);

}  // namespace coldframe::sensor
