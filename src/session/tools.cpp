// Masters, calibrated frames, pictures and checks as single commands on files.
#include "coldframe/session/tools.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "calibrated_colour.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/pipeline/calibrated_noise.hpp"
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
  outcome.record.notes = master.notes;
  outcome.level_adu = master.level_adu;
  outcome.frame_noise_adu = master.frame_noise_adu;
  return outcome;
}

namespace {

struct LoadedMasters {
  std::optional<sensor::Master> bias, dark, flat;
};

LoadedMasters load_masters(const CalibrateJob& job) {
  LoadedMasters masters;
  if (!job.bias.empty()) masters.bias = read_master(job.bias, "");
  if (!job.dark.empty()) masters.dark = read_master(job.dark, "");
  if (!job.flat.empty()) masters.flat = read_master(job.flat, "");
  return masters;
}

pipeline::Calibration calibration_for(const FrameInfo& info, const LoadedMasters& masters,
                                      const CalibrateJob& job) {
  const Size size = info.size;
  pipeline::CalibrationInputs in;
  in.frame = size;
  in.dark = masters.dark ? &*masters.dark : nullptr;
  in.bias = masters.bias && !masters.dark ? &*masters.bias : nullptr;
  in.flat = masters.flat ? &*masters.flat : nullptr;
  in.constant_subtract =
      in.dark == nullptr && in.bias == nullptr ? -info.pedestal_adu.value_or(0.0) : 0.0;
  in.gain_e_per_adu = job.gain_e_per_adu.value_or(info.gain_e_per_adu.value_or(0.0));
  in.saturation_adu = info.saturation_adu.value_or(65535.0);
  in.frame_noise_adu = masters.dark ? masters.dark->frame_noise_adu
                                    : (masters.bias ? masters.bias->frame_noise_adu : 0.0);
  // Somebody else's master does not tell a frame's noise; the header may.
  if (!(in.frame_noise_adu > 0.0) && info.read_noise_e && in.gain_e_per_adu > 0.0) {
    in.frame_noise_adu = *info.read_noise_e / in.gain_e_per_adu;
  }
  in.keep_variance = true;
  in.cfa = info.cfa;
  for (const auto* master : {in.dark, in.bias, in.flat}) {
    if (master != nullptr && master->value.size() != size) {
      throw Error(ErrorKind::usage, "", "a master differs in size from the frames",
                  "give masters made with the same camera and binning");
    }
  }
  return pipeline::prepare_calibration(in, job.threads);
}

// The cards of a calibrated frame.
Header calibrated_header(Header header, const pipeline::Calibration& calibration) {
  header.remove("PEDESTAL");
  header.set("BUNIT", to_string(calibration.unit));
  if (calibration.unit == PixelUnit::electron)
    header.set("EGAIN", 1.0, "[e-/unit] pixels are electrons");
  header.set("CALSTAT", calibration.multiply.empty() ? "D" : "DF", "dark and flat applied");
  header.set(program_keyword, version(), "version of the program that wrote this");
  return header;
}

// Values with their standard deviation: photons, dark frame and masters.
void write_calibrated(const PixelSource& file, const Header& header,
                      const pipeline::Calibration& calibration, const fs::path& out,
                      Threads threads) {
  fits::FileWriter writer(out);
  const Size size = file.size();
  const int planes = file.planes();
  const int values_hdu = writer.add_image({"", size, planes, fits::SampleType::float32}, header);
  Header uncert;
  uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
  const int error_hdu =
      writer.add_image({"UNCERT", size, planes, fits::SampleType::float32}, uncert);
  const int mask_hdu = writer.add_image({"MASK", size, planes, fits::SampleType::uint8}, {});
  for (int p = 0; p < planes; ++p) {
    for_strips(size, [&](const Rect& band) {
      Grid<float> values(band.size());
      Mask mask(band.size());
      Grid<float> error(band.size());
      parallel_bands(threads, band.height(), 32, [&](int a, int b) {
        const Rect part{0, a, size.width, b};
        pipeline::read_calibrated_with_error(
            file, calibration, {0, band.y0 + a, size.width, band.y0 + b}, values.view().crop(part),
            mask.view().crop(part), error.view().crop(part), p);
      });
      writer.write_rows(values_hdu, p, band.y0, values.cview());
      writer.write_rows(error_hdu, p, band.y0, error.cview());
      writer.write_rows(mask_hdu, p, band.y0, mask.cview());
    });
  }
  writer.commit();
}

fs::path output_name(const fs::path& in, const fs::path& folder, const char* suffix) {
  std::string stem = in.filename().string();
  for (const std::string_view ending :
       {".gz", ".fz", ".fits", ".fit", ".fts", ".FITS", ".FIT", ".FTS"}) {
    if (stem.ends_with(ending)) stem.resize(stem.size() - ending.size());
  }
  return folder / (stem + suffix);
}

}  // namespace

std::vector<FileOutcome> calibrate_files(const CalibrateJob& job, const Watch& watch) {
  const auto masters = load_masters(job);
  fits::make_folder(job.out);
  std::vector<FileOutcome> outcomes;
  std::optional<pipeline::Calibration> calibration;
  FrameInfo calibrated_like;
  std::size_t done = 0;
  for (const auto& path : job.files) {
    watch.check();
    require_exists(path);
    FileOutcome outcome{path.string(), "", ""};
    try {
      auto file = fits::ImageFile::open(path);
      auto info = interpret_with_supplied(*file, job.supplied);
      trim_to_image_area(info);
      info.saturation_adu = job.saturation_adu.value_or(info.saturation_adu.value_or(65535.0)) -
                            overscan_level(path, info);
      Header header = file->header();
      trim_header(header, info);
      const auto source = raw_frame_of(std::move(file), info);
      const bool same = calibration && calibrated_like.size == info.size &&
                        calibrated_like.cfa == info.cfa &&
                        calibrated_like.gain_e_per_adu == info.gain_e_per_adu &&
                        calibrated_like.pedestal_adu == info.pedestal_adu;
      if (!same) calibration = calibration_for(info, masters, job);
      calibrated_like = info;
      const auto out = output_name(path, job.out, "_calibrated.fits");
      const Header cards = calibrated_header(std::move(header), *calibration);
      if (job.demosaic) {
        write_calibrated_colour(*source, cards, *calibration, *job.demosaic, out, job.threads);
      } else {
        write_calibrated(*source, cards, *calibration, out, job.threads);
      }
      outcome.written = out.string();
    } catch (const Error& error) {
      if (error.kind() != ErrorKind::input) throw;
      outcome.why = error.what();
    }
    outcomes.push_back(std::move(outcome));
    watch.report("calibrate", ++done, job.files.size());
  }
  return outcomes;
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
