#include "duplicates.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstring>
#include <map>
#include <optional>
#include <system_error>
#include <tuple>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"

namespace coldframe::session {
namespace {

constexpr int few_rows = 16;

/// Frames that may be copies of each other have equal ones.
using Likeness = std::tuple<int, double, std::uintmax_t, int, int, double>;

Likeness likeness(const FrameEntry& frame) {
  std::error_code ignored;
  const auto& info = frame.info;
  const auto bytes =
      info.start_s ? std::uintmax_t{0} : std::filesystem::file_size(frame.path, ignored);
  return {static_cast<int>(info.kind),
          info.start_s.value_or(0.0),
          bytes,
          info.size.width,
          info.size.height,
          info.exposure_s.value_or(-1.0)};
}

bool same_rows(const fits::ImageFile& a, const fits::ImageFile& b, const Rect& rect) {
  Grid<float> first(rect.size()), second(rect.size());
  a.fill(0, rect, first.view());
  b.fill(0, rect, second.view());
  for (int y = 0; y < rect.height(); ++y) {
    const auto one = first.row(y);
    if (std::memcmp(one.data(), second.row(y).data(), one.size_bytes()) != 0) return false;
  }
  return true;
}

bool same_pixels(const FrameEntry& one, const FrameEntry& other, const Watch& watch) {
  try {
    const auto a = fits::ImageFile::open(one.path);
    const auto b = fits::ImageFile::open(other.path);
    if (a->size() != b->size() || a->planes() != b->planes()) return false;
    const Size size = a->size();
    // A few rows tell different exposures apart.
    const int middle = size.height / 2;
    const Rect some{0, middle, size.width, std::min(middle + few_rows, size.height)};
    if (!same_rows(*a, *b, some)) return false;
    for (int y = 0; y < size.height; y += 256) {
      watch.check();
      if (!same_rows(*a, *b, {0, y, size.width, std::min(y + 256, size.height)})) return false;
    }
    return true;
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    return false;  // named where it is used
  }
}

}  // namespace

void leave_out_copies(Inventory& inventory, Threads threads, const Watch& watch) {
  std::map<Likeness, std::vector<std::size_t>> alike;
  for (std::size_t i = 0; i < inventory.frames.size(); ++i) {
    if (!inventory.frames[i].library_master) alike[likeness(inventory.frames[i])].push_back(i);
  }
  std::vector<std::vector<std::size_t>> groups;
  for (auto& [key, frames] : alike) {
    if (frames.size() > 1) groups.push_back(std::move(frames));
  }
  std::vector<std::optional<std::size_t>> original(inventory.frames.size());
  parallel_for(threads, groups.size(), [&](std::size_t g) {
    auto& frames = groups[g];
    // The original is likelier to bear the shorter name: "a.fits", "a (copy).fits".
    std::stable_sort(frames.begin(), frames.end(), [&](std::size_t a, std::size_t b) {
      return inventory.frames[a].name.size() < inventory.frames[b].name.size();
    });
    for (std::size_t k = 1; k < frames.size(); ++k) {
      for (std::size_t j = 0; j < k && !original[frames[k]]; ++j) {
        if (original[frames[j]]) continue;
        if (same_pixels(inventory.frames[frames[j]], inventory.frames[frames[k]], watch)) {
          original[frames[k]] = frames[j];
        }
      }
    }
  });
  std::vector<FrameEntry> kept;
  for (std::size_t i = 0; i < original.size(); ++i) {
    auto& frame = inventory.frames[i];
    if (!original[i]) continue;
    inventory.left_out.push_back(
        {frame.name, fmt::format("is the same picture as {}", inventory.frames[*original[i]].name),
         "nothing to do; delete one of the two"});
  }
  for (std::size_t i = 0; i < original.size(); ++i) {
    if (!original[i]) kept.push_back(std::move(inventory.frames[i]));
  }
  inventory.frames = std::move(kept);
}

}  // namespace coldframe::session
