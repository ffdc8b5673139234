#include "duplicates.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cstring>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <system_error>
#include <tuple>
#include <utility>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"

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

/// Digest of a few rows in the middle: tells different exposures apart. Empty: unreadable.
std::string middle_digest(const FrameEntry& frame) {
  try {
    const auto file = fits::ImageFile::open(frame.path);
    const Size size = file->size();
    const int y = size.height / 2;
    const Rect rows{0, y, size.width, std::min(y + few_rows, size.height)};
    Grid<float> pixels(rows.size());
    file->fill(0, rows, pixels.view());
    std::string bytes;
    for (int j = 0; j < pixels.height(); ++j) {
      const auto row = std::as_bytes(std::span<const float>(pixels.row(j)));
      bytes.append(reinterpret_cast<const char*>(row.data()), row.size());
    }
    return digest(bytes);
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    return {};  // named where it is used
  }
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
    const Size size = a->size();
    if (size != b->size() || a->planes() != b->planes()) return false;
    for (int y = 0; y < size.height; y += 256) {
      watch.check();
      if (!same_rows(*a, *b, {0, y, size.width, std::min(y + 256, size.height)})) return false;
    }
    return true;
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    return false;
  }
}

/// Frames whose headers and middle rows agree, by name length: the original is likelier to bear the
/// shorter name ("a.fits", "a (copy).fits").
std::vector<std::vector<std::size_t>> candidates(const Inventory& inventory, Threads threads,
                                                 const Watch& watch) {
  std::map<Likeness, std::vector<std::size_t>> alike;
  for (std::size_t i = 0; i < inventory.frames.size(); ++i) {
    if (!inventory.frames[i].library_master) alike[likeness(inventory.frames[i])].push_back(i);
  }
  std::vector<std::size_t> doubtful;
  for (const auto& [key, frames] : alike) {
    if (frames.size() > 1) doubtful.insert(doubtful.end(), frames.begin(), frames.end());
  }
  std::vector<std::string> digests(doubtful.size());
  parallel_for(threads, doubtful.size(), [&](std::size_t k) {
    watch.check();
    digests[k] = middle_digest(inventory.frames[doubtful[k]]);
  });
  std::map<std::pair<Likeness, std::string>, std::vector<std::size_t>> closer;
  for (std::size_t k = 0; k < doubtful.size(); ++k) {
    if (digests[k].empty()) continue;
    closer[{likeness(inventory.frames[doubtful[k]]), digests[k]}].push_back(doubtful[k]);
  }
  std::vector<std::vector<std::size_t>> groups;
  for (auto& [key, frames] : closer) {
    if (frames.size() < 2) continue;
    std::stable_sort(frames.begin(), frames.end(), [&](std::size_t a, std::size_t b) {
      return inventory.frames[a].name.size() < inventory.frames[b].name.size();
    });
    groups.push_back(std::move(frames));
  }
  return groups;
}

}  // namespace

void leave_out_copies(Inventory& inventory, Threads threads, const Watch& watch) {
  const auto groups = candidates(inventory, threads, watch);
  std::vector<std::optional<std::size_t>> original(inventory.frames.size());
  parallel_for(threads, groups.size(), [&](std::size_t g) {
    const auto& frames = groups[g];
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
