// Registering files named on the command line, and resampling them.
#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/session/tools.hpp"
#include "decide.hpp"
#include "frame_access.hpp"
#include "group_state.hpp"
#include "plain_calibration.hpp"
#include "reference_choice.hpp"
#include "transforms_file.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

void write_resampled(const fs::path& path, const RegisteredFile& row, Size canvas,
                     const fs::path& folder, const align::ResampleOptions& options,
                     Threads threads) {
  const auto file = fits::ImageFile::open(path);
  const auto calibration = plain_calibration(file->info());
  Header header = file->header();
  header.remove("PEDESTAL");
  header.set(program_keyword, version(), "version of the program that wrote this");
  header.history("resampled onto the reference's grid");
  fits::FileWriter writer(folder / (table_stem(path) + "_registered.fits"));
  const int planes = file->planes();
  const int hdu = writer.add_image({"", canvas, planes, fits::SampleType::float32}, header);
  const int mask_hdu = writer.add_image({"MASK", canvas, planes, fits::SampleType::uint8}, {});
  constexpr int strip = 512;
  for (int p = 0; p < planes; ++p) {
    for (int y0 = 0; y0 < canvas.height; y0 += strip) {
      const Rect band{0, y0, canvas.width, std::min(y0 + strip, canvas.height)};
      Grid<float> values(band.size());
      Mask mask(band.size());
      parallel_bands(threads, band.height(), 64, [&](int a, int b) {
        const Rect target{0, y0 + a, canvas.width, y0 + b};
        const Rect part{0, a, canvas.width, b};
        auto out = values.view().crop(part);
        auto bits = mask.view().crop(part);
        const Rect region =
            align::source_region(row.match.transform, target, file->size(), options.kernel);
        if (region.empty()) {
          for (int y = 0; y < out.height(); ++y)
            std::fill(bits.row(y).begin(), bits.row(y).end(), mask_bit::outside);
          return;
        }
        Grid<float> source(region.size());
        Mask source_mask(region.size());
        pipeline::read_calibrated(*file, calibration, region, source.view(), source_mask.view(), p);
        align::resample(source.cview(), source_mask.cview(), region, file->size(),
                        row.match.transform, target, out, bits, options);
      });
      for (int y = 0; y < band.height(); ++y) {
        for (int x = 0; x < band.width(); ++x) {
          if ((mask(x, y) & mask_bit::outside) != 0) values(x, y) = std::nanf("");
        }
      }
      writer.write_rows(hdu, p, y0, values.cview());
      writer.write_rows(mask_hdu, p, y0, mask.cview());
    }
  }
  writer.commit();
}

}  // namespace

namespace {

// Measured files as one group; `measured` must outlive it.
GroupState group_of(std::vector<MeasuredFile>& measured) {
  GroupState group;
  for (auto& file : measured) {
    SubState sub;
    sub.name = file.file;
    sub.path = file.file;
    sub.info = &file.info;
    sub.usable = file.fault.empty();
    sub.reason = file.fault;
    sub.measured = std::move(file.measurement);
    group.subs.push_back(std::move(sub));
  }
  return group;
}

RegisteredFile row_of(const SubState& sub) {
  RegisteredFile row;
  row.file = sub.name;
  row.match = sub.match;
  row.residuals = sub.residuals;
  row.through = sub.through;
  if (!sub.usable) {
    row.fault = sub.reason;
  } else if (sub.match.status != align::MatchStatus::matched) {
    row.fault = align::to_string(sub.match.status);
  }
  return row;
}

RegisterOutcome match_files(const RegisterJob& job, const Watch& watch) {
  auto measured = measure_files(job.files, {}, 5.0, {}, job.threads, watch);
  GroupState group = group_of(measured);
  std::vector<const SubState*> candidates;
  for (const auto& sub : group.subs) candidates.push_back(&sub);
  const auto chosen = settle_reference(
      candidates, choose_reference(candidates, job.reference), !job.reference.empty(),
      [&](std::size_t i) { register_group(group, group.subs[i], job.threads, watch); });
  RegisterOutcome outcome;
  outcome.reference = group.subs[chosen].name;
  outcome.canvas = group.subs[chosen].measured.frame;
  outcome.distortion = group.distortion;
  for (const auto& sub : group.subs) outcome.files.push_back(row_of(sub));
  return outcome;
}

// The owner's transforms for the files of the job, in its order.
RegisterOutcome known_transforms(const RegisterJob& job) {
  const auto known = read_transforms(job.transforms);
  RegisterOutcome outcome;
  outcome.reference = known.reference;
  outcome.canvas = known.canvas;
  const auto rows = rows_of_files(known, job.files);
  for (std::size_t i = 0; i < job.files.size(); ++i) {
    outcome.files.push_back(rows[i] != nullptr ? *rows[i] : RegisteredFile{});
    if (rows[i] == nullptr) outcome.files.back().fault = "not among the transforms";
    outcome.files.back().file = job.files[i].generic_string();
  }
  return outcome;
}

}  // namespace

RegisterOutcome register_files(const RegisterJob& job, const Watch& watch) {
  for (const auto& path : job.files) require_exists(path);
  auto outcome = job.transforms.empty() ? match_files(job, watch) : known_transforms(job);
  if (job.resample_into.empty()) return outcome;
  fits::make_folder(job.resample_into);
  std::size_t done = 0;
  for (std::size_t i = 0; i < job.files.size(); ++i) {
    watch.check();
    if (outcome.files[i].fault.empty()) {
      write_resampled(job.files[i], outcome.files[i], outcome.canvas, job.resample_into,
                      job.resample, job.threads);
    }
    watch.report("resample", ++done, job.files.size());
  }
  return outcome;
}

}  // namespace coldframe::session
