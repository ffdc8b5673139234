#include "mosaic_check.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

constexpr int window = 512;
constexpr std::size_t most_frames = 3;
// Greens of one sensor agree within a few per cent of what separates them from red and blue.
constexpr double clear_ratio = 4.0;

enum class Verdict { unclear, agrees, shifted };

Verdict judge(const FrameEntry& frame) {
  const auto file = open_raw_frame(frame.path, frame.info);
  const Size size = file->size();
  const int x0 = std::max((size.width - window) / 4 * 2, 0);
  const int y0 = std::max((size.height - window) / 4 * 2, 0);
  const Rect part = Rect{x0, y0, x0 + window, y0 + window}.intersect(whole(size));
  Grid<float> pixels(part.size());
  file->fill(0, part, pixels.view());
  std::vector<float> cells[4];
  for (int y = 0; y < part.height(); ++y) {
    for (int x = 0; x < part.width(); ++x) {
      if (std::isfinite(pixels(x, y))) {
        cells[(x & 1) + 2 * (y & 1)].push_back(pixels(x, y));
      }
    }
  }
  double level[4];
  for (int c = 0; c < 4; ++c) {
    level[c] = static_cast<double>(median_in_place(std::span<float>(cells[c])));
  }
  const double main_diagonal = std::fabs(level[0] - level[3]);
  const double other_diagonal = std::fabs(level[1] - level[2]);
  const bool main_green = cfa_colour(frame.info.cfa, 0, 0) == 1;
  const double greens = main_green ? main_diagonal : other_diagonal;
  const double others = main_green ? other_diagonal : main_diagonal;
  if (others > clear_ratio * greens && others > 3.0) return Verdict::agrees;
  // Red and blue may be alike; then both diagonals hold equal pairs and nothing can be said.
  if (greens > clear_ratio * others && greens > 3.0) return Verdict::shifted;
  return Verdict::unclear;
}

bool same_mosaic(const FrameInfo& a, const FrameInfo& b) {
  return a.cfa == b.cfa && a.size == b.size && a.camera == b.camera;
}

}  // namespace

void check_mosaics(Inventory& inventory) {
  std::vector<bool> seen(inventory.frames.size());
  for (std::size_t i = 0; i < inventory.frames.size(); ++i) {
    const FrameInfo first = inventory.frames[i].info;
    if (seen[i] || first.cfa == CfaPattern::none || inventory.frames[i].library_master) continue;
    std::vector<std::size_t> members;
    for (std::size_t k = i; k < inventory.frames.size(); ++k) {
      if (!seen[k] && same_mosaic(first, inventory.frames[k].info)) {
        members.push_back(k);
        seen[k] = true;
      }
    }
    int votes = 0;
    for (const auto kind : {FrameKind::flat, FrameKind::light}) {
      std::size_t looked = 0;
      for (const auto k : members) {
        if (inventory.frames[k].info.kind != kind || looked >= most_frames) continue;
        ++looked;
        try {
          const auto verdict = judge(inventory.frames[k]);
          votes += verdict == Verdict::shifted ? 1 : (verdict == Verdict::agrees ? -1 : 0);
        } catch (const Error&) {
          continue;  // named where the frame is used
        }
      }
    }
    if (votes <= 1) continue;
    const auto pattern = cfa_shifted(first.cfa, 0, 1);
    Warning warning{
        "mosaic-pattern",
        fmt::format("the pixels contradict the colour pattern of the headers ({} in file order): "
                    "its greens differ, those of {} agree; {} is used. Supply BAYERPAT and "
                    "ROWORDER to say otherwise",
                    to_string(first.cfa), to_string(pattern), to_string(pattern)),
        {}};
    for (const auto k : members) {
      inventory.frames[k].info.cfa = pattern;
      warning.files.push_back(inventory.frames[k].name);
    }
    inventory.warnings.push_back(std::move(warning));
  }
}

}  // namespace coldframe::session
