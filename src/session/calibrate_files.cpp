// `calibrate`: frames through given masters, with their uncertainty.
#include <fmt/format.h>

#include <cmath>
#include <optional>

#include "calibrated_colour.hpp"
#include "calibrated_files.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/pipeline/pixel_calibration.hpp"
#include "coldframe/session/tools.hpp"
#include "frame_access.hpp"
#include "master_file.hpp"
#include "raw_frame.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;

namespace {

struct LoadedMasters {
  std::optional<sensor::Master> bias, dark, flat;
  std::optional<double> dark_s;
};

LoadedMasters load_masters(const CalibrateJob& job) {
  LoadedMasters masters;
  if (!job.bias.empty()) masters.bias = read_master(job.bias, "");
  if (!job.dark.empty()) {
    masters.dark = read_master(job.dark, "");
    masters.dark_s = fits::ImageFile::open(job.dark)->info().exposure_s;
  }
  if (!job.flat.empty()) {
    // The flat's own noise counts only in the uncertainty of the frames.
    masters.flat =
        job.values_only ? read_master_without_variance(job.flat) : read_master(job.flat, "");
  }
  return masters;
}

/// Light's exposure over the dark's; 1 where they agree or are not known.
double exposure_ratio(const FrameInfo& info, const LoadedMasters& masters) {
  if (!masters.dark || !masters.dark_s || !info.exposure_s || !(*masters.dark_s > 0.0)) return 1.0;
  const double ratio = *info.exposure_s / *masters.dark_s;
  return std::fabs(ratio - 1.0) <= MatchTolerances{}.exposure_share ? 1.0 : ratio;
}

std::string exposure_note(const FrameInfo& info, const LoadedMasters& masters) {
  const double ratio = exposure_ratio(info, masters);
  if (ratio == 1.0) return {};
  const auto exposures =
      fmt::format("the dark has {:g} s, the light {:g} s: ", *masters.dark_s, *info.exposure_s);
  return masters.bias
             ? exposures + fmt::format("its rate above the bias is scaled by {:.3g}", ratio)
             : exposures +
                   "it is subtracted as it is; give the bias too so that its rate can be scaled";
}

pipeline::Calibration calibration_for(const FrameInfo& info, const LoadedMasters& masters,
                                      const CalibrateJob& job) {
  const Size size = info.size;
  pipeline::CalibrationInputs in;
  in.frame = size;
  in.dark = masters.dark ? &*masters.dark : nullptr;
  in.dark_scale = exposure_ratio(info, masters);
  const bool needed = !masters.dark || in.dark_scale != 1.0;
  in.bias = masters.bias && needed ? &*masters.bias : nullptr;
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
  in.keep_variance = !job.values_only;
  in.cfa = info.cfa;
  for (const auto* master : {in.dark, in.bias, in.flat}) {
    if (master != nullptr && master->value.size() != size) {
      throw Error(ErrorKind::usage, "", "a master differs in size from the frames",
                  "give masters made with the same camera and binning");
    }
  }
  return pipeline::prepare_pixel_calibration(in, job.threads);
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

fs::path output_name(const fs::path& in, const fs::path& folder, const char* suffix) {
  std::string stem = in.filename().string();
  for (const std::string_view ending :
       {".gz", ".fz", ".fits", ".fit", ".fts", ".FITS", ".FIT", ".FTS"}) {
    if (stem.ends_with(ending)) stem.resize(stem.size() - ending.size());
  }
  return folder / (stem + suffix);
}

/// A frame opened, with the cards of its calibrated version.
struct Prepared {
  std::unique_ptr<PixelSource> source;
  FrameInfo info;
  Header header;
};

Prepared prepare(const fs::path& path, const CalibrateJob& job) {
  auto file = fits::ImageFile::open(path);
  Prepared frame;
  frame.info = interpret_with_supplied(*file, job.supplied);
  auto& info = frame.info;
  trim_to_image_area(info);
  info.saturation_adu = job.saturation_adu.value_or(info.saturation_adu.value_or(65535.0)) -
                        overscan_level(path, info);
  frame.header = file->header();
  trim_header(frame.header, info);
  frame.source = raw_frame_of(std::move(file), info);
  return frame;
}

class Calibrator {
 public:
  Calibrator(const CalibrateJob& job, const Watch& watch)
      : job_(job), watch_(watch), masters_(load_masters(job)), files_(job.threads) {}

  std::vector<FileOutcome> run() {
    for (const auto& path : job_.files) {
      watch_.check();
      require_exists(path);
      outcomes_.push_back({path.string(), "", "", ""});
      try {
        take(path, prepare(path, job_));
      } catch (const Error& error) {
        if (error.kind() != ErrorKind::input) throw;
        outcomes_.back().why = error.what();
        watch_.report("calibrate", ++done_, job_.files.size());
      }
    }
    note(files_.finish());
    return std::move(outcomes_);
  }

 private:
  void take(const fs::path& path, Prepared frame) {
    auto calibration = calibration_of(frame.info);
    auto& outcome = outcomes_.back();
    const auto out = output_name(path, job_.out, "_calibrated.fits");
    outcome.note = exposure_note(frame.info, masters_);
    Header cards = calibrated_header(std::move(frame.header), *calibration);
    if (job_.demosaic) {
      write_calibrated_colour(*frame.source, cards, *calibration, *job_.demosaic, out,
                              job_.threads);
      outcome.written = out.string();
      watch_.report("calibrate", ++done_, job_.files.size());
      return;
    }
    if (!files_.fits(*frame.source, *calibration)) note(files_.write());
    outcome.written = out.string();
    files_.add({std::move(frame.source), std::move(calibration), std::move(cards), out,
                job_.values_only, outcomes_.size() - 1});
  }

  void note(const std::vector<WrittenFile>& written) {
    for (const auto& file : written) {
      watch_.report("calibrate", ++done_, job_.files.size());
      if (file.why.empty()) continue;
      auto& outcome = outcomes_[file.number];
      outcome = {outcome.file, "", file.why, ""};
    }
  }

  // Neighbouring frames of one kind share what is prepared.
  std::shared_ptr<const pipeline::Calibration> calibration_of(const FrameInfo& info) {
    const bool same = calibration_ && like_.size == info.size && like_.cfa == info.cfa &&
                      like_.gain_e_per_adu == info.gain_e_per_adu &&
                      like_.exposure_s == info.exposure_s &&
                      like_.pedestal_adu == info.pedestal_adu;
    if (!same) {
      calibration_ = std::make_shared<pipeline::Calibration>(calibration_for(info, masters_, job_));
      like_ = info;
    }
    return calibration_;
  }

  const CalibrateJob& job_;
  const Watch& watch_;
  LoadedMasters masters_;
  CalibratedFiles files_;
  std::vector<FileOutcome> outcomes_;
  std::shared_ptr<const pipeline::Calibration> calibration_;
  FrameInfo like_;
  std::size_t done_ = 0;
};

}  // namespace

std::vector<FileOutcome> calibrate_files(const CalibrateJob& job, const Watch& watch) {
  fits::make_folder(job.out);
  return Calibrator(job, watch).run();
}

}  // namespace coldframe::session
