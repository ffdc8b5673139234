// `calibrate`: frames through given masters, with their uncertainty.
#include <fmt/format.h>

#include <cmath>
#include <optional>

#include "calibrated_colour.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/pipeline/calibrated_noise.hpp"
#include "coldframe/session/tools.hpp"
#include "frame_access.hpp"
#include "master_file.hpp"
#include "raw_frame.hpp"
#include "strips.hpp"

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
  if (!job.flat.empty()) masters.flat = read_master(job.flat, "");
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
    FileOutcome outcome{path.string(), "", "", ""};
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
                        calibrated_like.exposure_s == info.exposure_s &&
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
      outcome.note = exposure_note(info, masters);
    } catch (const Error& error) {
      if (error.kind() != ErrorKind::input) throw;
      outcome.why = error.what();
    }
    outcomes.push_back(std::move(outcome));
    watch.report("calibrate", ++done, job.files.size());
  }
  return outcomes;
}

}  // namespace coldframe::session
