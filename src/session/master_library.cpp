#include "master_library.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <optional>
#include <system_error>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "frame_access.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

bool has_fits_ending(const fs::path& path) {
  std::string ending = path.extension().string();
  for (char& c : ending) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return ending == ".fits" || ending == ".fit" || ending == ".fts";
}

std::vector<fs::path> files_under(const fs::path& folder) {
  std::vector<fs::path> files;
  std::error_code fault;
  for (fs::recursive_directory_iterator it(folder, fault), end; !fault && it != end;
       it.increment(fault)) {
    const auto& path = it->path();
    if (path.filename().string().starts_with('.')) {
      if (it->is_directory(fault)) it.disable_recursion_pending();
      continue;
    }
    if (it->is_regular_file(fault) && has_fits_ending(path)) files.push_back(path);
  }
  std::sort(files.begin(), files.end());
  return files;
}

double central_median(const fits::ImageFile& file) {
  const Size size = file.size();
  constexpr int window = 512;
  const int x0 = std::max((size.width - window) / 2, 0);
  const int y0 = std::max((size.height - window) / 2, 0);
  const Rect part = Rect{x0, y0, x0 + window, y0 + window}.intersect(whole(size));
  Grid<float> pixels(part.size());
  file.fill(0, part, pixels.view());
  std::vector<float> values;
  for (int y = 0; y < part.height(); ++y) {
    for (const float v : pixels.cview().row(y)) {
      if (std::isfinite(v)) values.push_back(v);
    }
  }
  return values.empty() ? std::nan("")
                        : static_cast<double>(median_in_place(std::span<float>(values)));
}

std::string unit_of(const fits::ImageFile& file) {
  std::string unit = file.header().text("BUNIT").value_or("");
  for (char& c : unit) c = static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
  return unit;
}

/// Why a file is not fit, or nothing.
std::optional<LeftOut> fault_of(const fits::ImageFile& file, const FrameEntry& entry) {
  const auto& info = entry.info;
  const auto because = [&](std::string why, std::string mend) {
    return LeftOut{entry.name, std::move(why), std::move(mend)};
  };
  const bool calibration = info.kind == FrameKind::bias || info.kind == FrameKind::dark ||
                           info.kind == FrameKind::flat || info.kind == FrameKind::flat_dark;
  if (!info.is_master || !calibration) {
    return because("is no master bias, dark or flat",
                   "keep masters only in this folder (IMAGETYP 'Master Dark' and the like)");
  }
  if (info.planes != 1) {
    return because("has three planes; a master has one", "give a master made from raw frames");
  }
  for (const auto& hdu : fits::verify_checksums(entry.path)) {
    using Verdict = fits::ChecksumReport::Verdict;
    if (hdu.data == Verdict::wrong || hdu.whole == Verdict::wrong) {
      return because("checksum is wrong: the file was damaged or changed",
                     "make the master again from its frames");
    }
  }
  const std::string unit = unit_of(file);
  if (info.kind != FrameKind::flat && !unit.empty() && unit != "adu" && unit != "count" &&
      unit != "counts" && unit != "dn") {
    return because(fmt::format("is in '{}'; darks and bias are subtracted in ADU", unit),
                   "give the master in ADU");
  }
  const double level = central_median(file);
  if (info.kind == FrameKind::flat && !(level > 0.2 && level < 5.0)) {
    return because(fmt::format("is a flat of level {:.3g}, not normalised to mean 1", level),
                   "make it with 'coldframe master flat'");
  }
  if (info.kind != FrameKind::flat && !std::isfinite(level)) {
    return because("holds no number in its middle", "make the master again");
  }
  return std::nullopt;
}

struct Looked {
  std::optional<FrameEntry> entry;
  std::optional<LeftOut> left_out;
};

Looked look_at(const fs::path& path, const fs::path& folder,
               const std::vector<SuppliedCard>& supplied) {
  Looked result;
  FrameEntry entry;
  entry.path = path;
  entry.name = "library: " + path.lexically_relative(folder).generic_string();
  entry.local_name = entry.name;
  entry.library_master = true;
  try {
    const auto file = fits::ImageFile::open(path);
    entry.info = interpret_with_supplied(*file, supplied);
    result.left_out = fault_of(*file, entry);
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    result.left_out = LeftOut{entry.name, error.fault(), error.mend()};
  }
  if (!result.left_out) result.entry = std::move(entry);
  return result;
}

}  // namespace

void add_master_library(Inventory& inventory, const fs::path& folder,
                        const std::vector<SuppliedCard>& supplied, Threads threads,
                        const Watch& watch) {
  require_exists(folder);
  const auto files = files_under(folder);
  std::vector<Looked> looked(files.size());
  parallel_for(threads, files.size(), [&](std::size_t i) {
    watch.check();
    looked[i] = look_at(files[i], folder, supplied);
  });
  for (auto& one : looked) {
    if (one.left_out) inventory.left_out.push_back(std::move(*one.left_out));
    if (one.entry) inventory.frames.push_back(std::move(*one.entry));
  }
}

}  // namespace coldframe::session
