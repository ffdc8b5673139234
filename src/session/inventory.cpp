#include "coldframe/session/inventory.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <map>
#include <optional>
#include <set>
#include <system_error>
#include <tuple>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "duplicates.hpp"
#include "folder_labels.hpp"
#include "frame_access.hpp"
#include "name_sense.hpp"
#include "sky_facts.hpp"

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
  std::size_t folder = 0;
  std::string local{};
};

/// Collects the files under a folder. Linked folders come last and each real folder counts once, so
/// that neither a loop nor a second way to a folder takes a frame twice.
class Walk {
 public:
  explicit Walk(const fs::path& exclude) {
    std::error_code ignored;
    if (!exclude.empty() && fs::exists(exclude, ignored))
      seen_.insert(fs::canonical(exclude, ignored));
  }

  /// `label`: put before the names; may be empty.
  void walk(const fs::path& root, const std::string& label, std::size_t folder) {
    root_ = root;
    label_ = label;
    folder_ = folder;
    links_.clear();
    enter(root);
    for (std::size_t i = 0; i < links_.size(); ++i) enter(fs::path(links_[i]));
  }

  std::vector<Found> found;
  std::vector<LeftOut> left_out;

 private:
  void enter(const fs::path& folder) {
    std::error_code fault;
    if (!seen_.insert(fs::canonical(folder, fault)).second) return;
    fs::directory_iterator entries(folder, fault);
    if (fault) {
      left_out.push_back({named(folder.lexically_relative(root_).generic_string()),
                          "folder cannot be read: " + fault.message(), "check its permissions"});
      return;
    }
    std::vector<fs::path> paths;
    for (const auto& entry : entries) paths.push_back(entry.path());
    std::sort(paths.begin(), paths.end());
    for (const auto& path : paths) take(path);
  }

  void take(const fs::path& path) {
    std::error_code fault;
    if (path.filename().string().starts_with('.')) return;
    if (fs::is_directory(path, fault)) {
      if (fs::is_symlink(path, fault)) {
        links_.push_back(path);
      } else {
        enter(path);
      }
    } else if (looks_like_fits(path)) {
      const auto local = path.lexically_relative(root_).generic_string();
      found.push_back({path, named(local), folder_, local});
    }
  }

  [[nodiscard]] std::string named(const std::string& local) const {
    return label_.empty() ? local : label_ + "/" + local;
  }

  fs::path root_;
  std::string label_;
  std::size_t folder_ = 0;
  std::set<fs::path> seen_;
  std::vector<fs::path> links_;
};

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
  FrameEntry frame{found.path, found.name, {}, false, 0, false, found.folder, found.local};
  try {
    const auto file = fits::ImageFile::open(found.path);
    frame.info = interpret_with_supplied(*file, supplied);
    // What the owner names one by one is taken as it is.
    if (!named) trim_to_image_area(frame.info);
    frame.compressed_whole = !file->cheap_regions();
    frame.resident_bytes = file->resident_bytes();
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

// A picture that tells nothing of itself, among lights that do, is no light: somebody's drawing,
// map or chart. Lights of a whole session without keywords are all alike and stay.
void leave_out_strangers(std::vector<Examined>& examined) {
  const bool lights_known = std::any_of(examined.begin(), examined.end(), [](const Examined& one) {
    return one.frame && !one.kind_assumed && one.frame->info.kind == FrameKind::light;
  });
  if (!lights_known) return;
  for (auto& one : examined) {
    if (!one.frame || !one.kind_assumed) continue;
    const auto& info = one.frame->info;
    if (info.exposure_s || info.start_s) continue;
    one.left_out =
        LeftOut{one.frame->name,
                "its header tells neither what it is nor exposure or time, while the lights' do",
                "add IMAGETYP, or put it into a folder named after its kind"};
    one.frame.reset();
  }
}

// Frames with the same fault share one line.
void note_problem(std::vector<Warning>& warnings, const std::string& message,
                  const std::string& file) {
  const auto known = std::find_if(warnings.begin(), warnings.end(), [&](const Warning& w) {
    return w.code == "header" && w.message == message;
  });
  if (known != warnings.end()) {
    known->files.push_back(file);
  } else {
    warnings.push_back({"header", message, {file}});
  }
}

// What the job would like to know and the headers do not tell: one line, never silence.
std::optional<Warning> missing_facts(const std::vector<FrameEntry>& frames) {
  std::map<std::string, std::size_t> missing;
  Warning warning{"missing-keywords", "", {}};
  for (const auto& frame : frames) {
    for (const auto& fact : frame.info.missing) ++missing[fact];
    if (!frame.info.missing.empty()) warning.files.push_back(frame.name);
  }
  if (missing.empty()) return std::nullopt;
  std::vector<std::string> facts;
  for (const auto& [fact, count] : missing) facts.push_back(fmt::format("{} ({})", fact, count));
  warning.message = fmt::format(
      "the headers do not tell, with the number of frames: {}; what is missing contradicts nothing "
      "when "
      "frames are paired. Supply it with --supply KEYWORD=VALUE",
      fmt::join(facts, ", "));
  return warning;
}

Inventory examine_all(const fs::path& root, std::vector<Found> found, std::vector<LeftOut> left_out,
                      const std::vector<SuppliedCard>& supplied, bool named, Threads threads,
                      const Watch& watch) {
  Inventory inventory;
  inventory.root = root;
  inventory.left_out = std::move(left_out);
  std::sort(found.begin(), found.end(), [](const Found& a, const Found& b) {
    return std::tie(a.folder, a.name) < std::tie(b.folder, b.name);
  });
  std::vector<Examined> examined(found.size());
  parallel_for(threads, found.size(), [&](std::size_t i) {
    watch.check();
    examined[i] = examine(found[i], supplied, named);
  });
  if (!named) leave_out_strangers(examined);
  Warning assumed{"kind-assumed",
                  "the headers do not say what these frames are; they are taken for lights (say "
                  "otherwise with --supply IMAGETYP=dark or a folder named after the kind)",
                  {}};
  for (auto& one : examined) {
    if (one.left_out) inventory.left_out.push_back(std::move(*one.left_out));
    if (!one.frame) continue;
    if (one.kind_assumed) assumed.files.push_back(one.frame->name);
    if (!one.frame->info.problems.empty()) {
      note_problem(inventory.warnings, fmt::format("{}", fmt::join(one.frame->info.problems, "; ")),
                   one.frame->name);
    }
    inventory.frames.push_back(std::move(*one.frame));
  }
  if (!assumed.files.empty()) inventory.warnings.push_back(std::move(assumed));
  if (auto missing = missing_facts(inventory.frames))
    inventory.warnings.push_back(std::move(*missing));
  return inventory;
}

}  // namespace

void require_exists(const fs::path& path) {
  std::error_code fault;
  if (!fs::exists(path, fault)) {
    throw Error(ErrorKind::input, path.string(), "does not exist", "check the name");
  }
}

FrameInfo interpret_with_supplied(const fits::ImageFile& file,
                                  const std::vector<SuppliedCard>& supplied) {
  FrameInfo info = file.info();
  if (supplied.empty()) {
    read_solution(file.header(), info);
    return info;
  }
  Header header = file.header();
  for (const auto& card : supplied) {
    if (!header.text(card.keyword)) header.set(card.keyword, std::string_view(card.value));
  }
  info = interpret_header(header, file.size(), file.planes(), file.path().filename().string());
  read_solution(header, info);
  return info;
}

Inventory take_stock(const fs::path& root, const fs::path& exclude,
                     const std::vector<SuppliedCard>& supplied, Threads threads,
                     const Watch& watch) {
  return take_stock_of_folders({root}, exclude, supplied, threads, watch);
}

Inventory take_stock_of_folders(const std::vector<fs::path>& roots, const fs::path& exclude,
                                const std::vector<SuppliedCard>& supplied, Threads threads,
                                const Watch& watch) {
  std::error_code fault;
  for (const auto& root : roots) require_exists(root);
  const auto labels = folder_labels(roots);
  Walk walk(exclude);
  for (std::size_t f = 0; f < roots.size(); ++f) {
    if (fs::is_directory(roots[f], fault)) {
      walk.walk(roots[f], labels[f], f);
    } else {
      const auto local = roots[f].filename().string();
      const auto name = labels[f].empty() ? local : labels[f] + "/" + local;
      walk.found.push_back({roots[f], name, f, local});
    }
  }
  auto inventory = examine_all(roots.front(), std::move(walk.found), std::move(walk.left_out),
                               supplied, false, threads, watch);
  leave_out_copies(inventory, threads, watch);
  unify_names(inventory);
  return inventory;
}

Inventory take_stock_of_files(const std::vector<fs::path>& files,
                              const std::vector<SuppliedCard>& supplied, Threads threads,
                              const Watch& watch) {
  std::vector<Found> found;
  for (const auto& file : files) {
    require_exists(file);
    found.push_back({file, file.generic_string(), 0, file.generic_string()});
  }
  return examine_all({}, std::move(found), {}, supplied, true, threads, watch);
}

}  // namespace coldframe::session
