// Masters, calibrated frames, pictures and checks as single commands on files.
#include "coldframe/session/tools.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"
#include "frame_access.hpp"
#include "master_file.hpp"
#include "raw_frame.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;

MasterOutcome make_master(const MasterJob& job, const Watch& watch) {
  if (job.out.has_parent_path()) fits::make_folder(job.out.parent_path());
  MasterOutcome outcome;
  std::vector<std::unique_ptr<PixelSource>> files;
  std::vector<const PixelSource*> sources;
  FrameInfo first;
  Header header;
  for (const auto& path : job.files) {
    require_exists(path);
    try {
      auto file = fits::ImageFile::open(path);
      auto info = interpret_with_supplied(*file, job.supplied);
      trim_to_image_area(info);
      if (files.empty()) {
        first = info;
        header = file->header();
        trim_header(header, info);
      } else if (info.size != files.front()->size()) {
        outcome.left_out.push_back(
            {path.string(), "differs in size from the first frame", "give frames of one size"});
        continue;
      }
      auto source = raw_frame_of(std::move(file), info);
      sources.push_back(source.get());
      files.push_back(std::move(source));
    } catch (const Error& error) {
      outcome.left_out.push_back({path.string(), error.fault(), error.mend()});
    }
  }
  if (sources.empty()) {
    throw Error(ErrorKind::not_enough_data, "", "none of the frames could be used",
                "check the files");
  }
  auto options = job.options;
  options.kind = job.kind;
  options.cfa = first.cfa;
  if (first.saturation_adu) options.saturation_adu = *first.saturation_adu;
  options.saturation_adu -= overscan_level(job.files.front(), first);
  std::unique_ptr<fits::ImageFile> subtract;
  std::unique_ptr<fits::ImageFile> uncertainty;
  if (!job.subtract.empty()) {
    subtract = fits::ImageFile::open(job.subtract);
    uncertainty = open_uncertainty(job.subtract);
    options.subtract_uncertainty = uncertainty.get();
  }
  const auto master = sensor::build_master(sources, subtract.get(), options, job.threads, watch);
  write_master(job.out, master, job.kind, header, "");
  outcome.record.kind = job.kind == sensor::MasterKind::bias   ? "bias"
                        : job.kind == sensor::MasterKind::dark ? "dark"
                                                               : "flat";
  outcome.record.path = job.out.string();
  outcome.record.frames = master.frames;
  outcome.record.exposure_s = first.exposure_s;
  outcome.record.temperature_c = first.sensor_temperature_c();
  outcome.record.filter = first.filter;
  outcome.record.noise_adu = master.noise_adu;
  for (const auto& note : master.notes) {
    (note.code.empty() ? outcome.done : outcome.record.notes).push_back(note.text);
  }
  outcome.level_adu = master.level_adu;
  outcome.frame_noise_adu = master.frame_noise_adu;
  return outcome;
}

std::vector<std::string> read_name_list(const fs::path& path) {
  std::vector<std::string> names;
  std::string line;
  for (const char c : fits::read_text(path) + "\n") {
    if (c == '\r') continue;
    if (c != '\n') {
      line += c;
      continue;
    }
    if (!line.empty() && !line.starts_with('#')) names.push_back(line);
    line.clear();
  }
  if (names.empty()) {
    throw Error(ErrorKind::usage, path.string(), "lists no sub", "write one file name per line");
  }
  return names;
}

std::vector<VerifiedFile> verify_files(const Paths& files, Threads threads) {
  for (const auto& path : files) require_exists(path);
  std::vector<VerifiedFile> results(files.size());
  parallel_for(threads, files.size(), [&](std::size_t i) {
    auto& result = results[i];
    result.file = files[i].string();
    try {
      for (const auto& hdu : fits::verify_checksums(files[i])) {
        using Verdict = fits::ChecksumReport::Verdict;
        const bool wrong = hdu.data == Verdict::wrong || hdu.whole == Verdict::wrong;
        if (wrong) {
          result.detail +=
              fmt::format("{}checksum of unit {}{} is wrong", result.detail.empty() ? "" : ", ",
                          hdu.hdu, hdu.name.empty() ? "" : " (" + hdu.name + ")");
        }
        result.checksums_wrong = result.checksums_wrong || wrong;
        result.checksums_absent = result.checksums_absent || hdu.data == Verdict::absent;
      }
      // Checksums say nothing of files without them: read the pixels as well.
      const auto file = fits::ImageFile::open(files[i]);
      for_pixel_strips(*file, [](int, const Rect&, PlaneView<const float>) {});
      result.readable = true;
      if (const auto by = file->header().text(program_keyword)) {
        result.detail +=
            fmt::format("{}written by coldframe {}", result.detail.empty() ? "" : ", ", *by);
      }
    } catch (const Error& error) {
      result.readable = false;
      result.detail = error.fault() + "; " + error.mend();
    }
  });
  return results;
}

}  // namespace coldframe::session
