#include "master_shelf.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <memory>
#include <set>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"
#include "master_file.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace {

sensor::MasterKind master_kind(FrameKind kind) noexcept {
  if (kind == FrameKind::bias) return sensor::MasterKind::bias;
  return kind == FrameKind::flat ? sensor::MasterKind::flat : sensor::MasterKind::dark;
}

struct OpenedFrames {
  std::vector<std::unique_ptr<PixelSource>> files;
  std::vector<const PixelSource*> sources;
};

}  // namespace

MasterShelf::MasterShelf(const Inventory& inventory, const Pairing& pairing,
                         const RunOptions& options, const std::vector<int>& camera_of_frame,
                         SessionRecord& record, const Watch& watch)
    : inventory_(inventory),
      pairing_(pairing),
      options_(options),
      camera_of_frame_(camera_of_frame),
      record_(record),
      watch_(watch),
      record_of_set_(pairing.sets.size()),
      unfit_(pairing.sets.size()) {}

std::filesystem::path MasterShelf::path_of(const FrameSet& set) const {
  return options_.out / ("masters/" + safe_file_name(set.label) + ".fits");
}

double MasterShelf::saturation_of(const FrameSet& set) const {
  const auto camera = static_cast<std::size_t>(camera_of_frame_[set.frames.front()]);
  return record_.cameras[camera].saturation_adu.value_or(0.0);
}

std::string MasterShelf::key(std::size_t s) const {
  const auto& set = pairing_.sets[s];
  std::string text = fmt::format("{} {} {} ", version(), to_string(set.kind), saturation_of(set));
  const bool removed = options_.flat_gradient == sensor::FlatGradient::remove;
  if (set.kind == FrameKind::flat && removed) text += "without gradient ";
  for (const auto frame : set.frames) {
    text += inventory_.frames[frame].local_name + " " +
            fits::stat_key(inventory_.frames[frame].path) + sections_key(info(frame)) + "\n";
  }
  if (set.subtract) text += key(*set.subtract);
  return digest(text);
}

void MasterShelf::build_all() {
  std::set<std::size_t> needed;
  for (const auto& group : pairing_.groups) {
    for (const auto light : group.lights) {
      const auto& plan = pairing_.lights[light];
      for (const auto& set : {plan.dark, plan.bias, plan.flat}) {
        if (set) needed.insert(*set);
        if (set && pairing_.sets[*set].subtract) needed.insert(*pairing_.sets[*set].subtract);
      }
    }
  }
  if (!needed.empty()) fits::make_folder(options_.out / "masters");
  // Flats last: they need the others.
  std::vector<std::size_t> order(needed.begin(), needed.end());
  std::stable_partition(order.begin(), order.end(),
                        [&](std::size_t s) { return pairing_.sets[s].kind != FrameKind::flat; });
  std::size_t done = 0;
  for (const auto set : order) {
    watch_.check();
    try {
      build(set);
    } catch (const sensor::UnfitFrames& fault) {
      give_up(set, fault);
    }
    watch_.report("masters", ++done, order.size());
  }
}

void MasterShelf::build(std::size_t s) {
  const auto& set = pairing_.sets[s];
  const auto path = path_of(set);
  const auto identity = key(s);
  auto master = read_master(path, identity);
  if (!master) {
    Header header;
    if (set.from_library) {
      const auto& source = inventory_.frames[set.frames.front()].path;
      master = read_master(source, "");
      header = fits::ImageFile::open(source)->header();
    } else {
      master = combine(set, header);
    }
    write_master(path, *master, master_kind(set.kind), header, identity);
  }
  note(s, *master);
}

sensor::Master MasterShelf::combine(const FrameSet& set, Header& header) {
  const auto& example = info(set.frames.front());
  OpenedFrames opened;
  for (const auto frame : set.frames) {
    try {
      auto file = fits::ImageFile::open(inventory_.frames[frame].path);
      if (opened.sources.empty()) header = file->header();
      opened.files.push_back(raw_frame_of(std::move(file), info(frame)));
      opened.sources.push_back(opened.files.back().get());
    } catch (const Error& error) {
      record_.left_out.push_back({inventory_.frames[frame].name, error.fault(), error.mend()});
    }
  }
  std::unique_ptr<fits::ImageFile> subtract;
  std::unique_ptr<fits::ImageFile> uncertainty;
  if (set.subtract && !unfit_[*set.subtract]) {
    const auto subtracted = path_of(pairing_.sets[*set.subtract]);
    subtract = fits::ImageFile::open(subtracted);
    uncertainty = open_uncertainty(subtracted);
  }
  sensor::MasterOptions how;
  how.subtract_uncertainty = uncertainty.get();
  how.kind = master_kind(set.kind);
  how.cfa = example.cfa;
  how.gradient = options_.flat_gradient;
  if (const double level = saturation_of(set); level > 0.0) how.saturation_adu = level;
  how.memory_bytes = options_.memory_bytes / 4;
  auto master = sensor::build_master(opened.sources, subtract.get(), how, options_.threads, watch_);
  trim_header(header, example);
  return master;
}

void MasterShelf::note(std::size_t s, const sensor::Master& master) {
  const auto& set = pairing_.sets[s];
  const auto& example = info(set.frames.front());
  MasterRecord row;
  row.kind = to_string(set.kind);
  row.path = "masters/" + safe_file_name(set.label) + ".fits";
  row.frames = master.frames;
  row.exposure_s = example.exposure_s;
  row.temperature_c = example.sensor_temperature_c();
  row.filter = set.kind == FrameKind::flat ? example.filter : "";
  row.noise_adu = master.noise_adu;
  for (const auto& note : master.notes) row.notes.push_back(note.text);
  if (set.from_library) row.library = inventory_.frames[set.frames.front()].name;
  for (const auto& choice : pairing_.choices) {
    if (choice.set != s) continue;
    if (!row.age_days) row.age_days = choice.age_days;
    row.chosen_why.push_back(fmt::format("{} lights: {}", choice.lights, choice.why));
    if (row.not_chosen.empty()) row.not_chosen = choice.others;
  }
  record_of_set_[s] = static_cast<int>(record_.masters.size());
  for (const auto& note : master.notes) {
    if (note.code.empty()) continue;
    record_.warnings.push_back({note.code, set.label + ": " + note.text, {}});
  }
  record_.masters.push_back(std::move(row));
}

// The rest of the run goes on without it.
void MasterShelf::give_up(std::size_t s, const sensor::UnfitFrames& fault) {
  const auto& set = pairing_.sets[s];
  unfit_[s] = true;
  for (const auto& note : fault.notes()) {
    record_.warnings.push_back(
        {note.code,
         fmt::format(
             "{}: {}; no frame is fit, so this master is not made and its lights do without; "
             "take new ones",
             set.label, note.text),
         {}});
  }
}

std::optional<sensor::Master> MasterShelf::load(std::optional<std::size_t> set) const {
  if (!set || unfit_[*set]) return std::nullopt;
  return read_master(path_of(pairing_.sets[*set]), key(*set));
}

}  // namespace coldframe::session
