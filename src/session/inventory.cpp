#include "coldframe/session/inventory.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <optional>
#include <system_error>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "frame_access.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

std::string lower(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return text;
}

bool looks_like_fits(const fs::path& path) {
  std::string name = lower(path.filename().string());
  for (const std::string_view packed : {".gz", ".fz"}) {
    if (name.ends_with(packed)) name.resize(name.size() - packed.size());
  }
  return name.ends_with(".fit") || name.ends_with(".fits") || name.ends_with(".fts");
}

struct Found {
  fs::path path;
  std::string name;
};

void walk(const fs::path& folder, const fs::path& root, const fs::path& exclude,
          std::vector<Found>& found, std::vector<LeftOut>& left_out) {
  std::error_code fault;
  fs::directory_iterator entries(folder, fault);
  if (fault) {
    left_out.push_back({folder.lexically_relative(root).generic_string(),
                        "folder cannot be read: " + fault.message(), "check its permissions"});
    return;
  }
  for (const auto& entry : entries) {
    const auto& path = entry.path();
    if (path.filename().string().starts_with('.')) continue;
    if (entry.is_directory(fault)) {
      std::error_code ignored;
      const bool skipped = entry.is_symlink(ignored) ||
                           (!exclude.empty() && fs::equivalent(path, exclude, ignored));
      if (!skipped) walk(path, root, exclude, found, left_out);
    } else if (looks_like_fits(path)) {
      found.push_back({path, path.lexically_relative(root).generic_string()});
    }
  }
}

// The folder says what the header does not: lights/, darks/, flat_darks/...
FrameKind kind_from_folders(const std::string& name) {
  const fs::path folders = fs::path(name).parent_path();
  FrameKind kind = FrameKind::unknown;
  for (const auto& part : folders) {
    const auto from_part = frame_kind_from_text(part.string());
    if (from_part != FrameKind::unknown) kind = from_part;
  }
  return kind;
}

struct Examined {
  std::optional<FrameEntry> frame;
  std::optional<LeftOut> left_out;
  bool kind_assumed = false;
};

std::optional<LeftOut> unsuitable(const FrameEntry& frame, const Header& header) {
  if (header.find(program_keyword) != nullptr) {
    return LeftOut{frame.name, "was written by this program", "nothing to do"};
  }
  if (frame.info.is_master) {
    return LeftOut{frame.name, "is already a combination of frames",
                   "give single frames, or use it with 'coldframe calibrate'"};
  }
  if (frame.info.size.width < 16 || frame.info.size.height < 16) {
    return LeftOut{frame.name,
                   fmt::format("image of {} x {} pixels is too small to use", frame.info.size.width,
                               frame.info.size.height),
                   "remove it from the session"};
  }
  return std::nullopt;
}

Examined examine(const Found& found, const std::vector<SuppliedCard>& supplied, bool named) {
  Examined result;
  FrameEntry frame{found.path, found.name, {}, false, 0};
  try {
    const auto file = fits::ImageFile::open(found.path);
    frame.info = interpret_with_supplied(*file, supplied);
    frame.compressed_whole = !file->cheap_regions();
    frame.resident_bytes = file->resident_bytes();
    // What the owner names one by one is taken as it is.
    if (!named) result.left_out = unsuitable(frame, file->header());
    if (result.left_out) return result;
  } catch (const Error& error) {
    if (error.kind() == ErrorKind::interrupted) throw;
    result.left_out = LeftOut{found.name, error.fault(), error.mend()};
    return result;
  }
  if (frame.info.kind == FrameKind::unknown) frame.info.kind = kind_from_folders(found.name);
  if (frame.info.kind == FrameKind::unknown) {
    frame.info.kind = FrameKind::light;
    result.kind_assumed = true;
  }
  result.frame = std::move(frame);
  return result;
}

Inventory examine_all(const fs::path& root, std::vector<Found> found,
                      std::vector<LeftOut> left_out, const std::vector<SuppliedCard>& supplied,
                      bool named, Threads threads, const Watch& watch) {
  Inventory inventory;
  inventory.root = root;
  inventory.left_out = std::move(left_out);
  std::sort(found.begin(), found.end(),
            [](const Found& a, const Found& b) { return a.name < b.name; });
  std::vector<Examined> examined(found.size());
  parallel_for(threads, found.size(), [&](std::size_t i) {
    watch.check();
    examined[i] = examine(found[i], supplied, named);
  });
  Warning assumed{"kind-assumed",
                  "the headers do not say what these frames are; they are taken for lights (say "
                  "otherwise with --supply IMAGETYP=dark or a folder named after the kind)",
                  {}};
  for (auto& one : examined) {
    if (one.left_out) inventory.left_out.push_back(std::move(*one.left_out));
    if (!one.frame) continue;
    if (one.kind_assumed) assumed.files.push_back(one.frame->name);
    if (!one.frame->info.problems.empty()) {
      inventory.warnings.push_back(
          {"header", fmt::format("{}", fmt::join(one.frame->info.problems, "; ")), {one.frame->name}});
    }
    inventory.frames.push_back(std::move(*one.frame));
  }
  if (!assumed.files.empty()) inventory.warnings.push_back(std::move(assumed));
  return inventory;
}

}  // namespace

FrameInfo interpret_with_supplied(const fits::ImageFile& file,
                                  const std::vector<SuppliedCard>& supplied) {
  if (supplied.empty()) return file.info();
  Header header = file.header();
  for (const auto& card : supplied) {
    if (!header.text(card.keyword)) header.set(card.keyword, std::string_view(card.value));
  }
  return interpret_header(header, file.size(), file.planes(), file.path().filename().string());
}

Inventory take_stock(const fs::path& root, const fs::path& exclude,
                     const std::vector<SuppliedCard>& supplied, Threads threads,
                     const Watch& watch) {
  std::error_code fault;
  if (!fs::exists(root, fault)) {
    throw Error(ErrorKind::input, root.string(), "does not exist", "check the name");
  }
  std::vector<Found> found;
  std::vector<LeftOut> left_out;
  if (fs::is_directory(root, fault)) {
    walk(root, root, exclude, found, left_out);
  } else {
    found.push_back({root, root.filename().string()});
  }
  return examine_all(root, std::move(found), std::move(left_out), supplied, false, threads, watch);
}

Inventory take_stock_of_files(const std::vector<fs::path>& files,
                              const std::vector<SuppliedCard>& supplied, Threads threads,
                              const Watch& watch) {
  std::vector<Found> found;
  for (const auto& file : files) {
    std::error_code fault;
    if (!fs::exists(file, fault)) {
      throw Error(ErrorKind::input, file.string(), "does not exist", "check the name");
    }
    found.push_back({file, file.generic_string()});
  }
  return examine_all({}, std::move(found), {}, supplied, true, threads, watch);
}

}  // namespace coldframe::session
