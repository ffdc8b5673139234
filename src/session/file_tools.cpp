// Measuring files named on the command line.
#include <fmt/format.h>

#include <atomic>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/pipeline/measure_buffers.hpp"
#include "coldframe/session/tools.hpp"
#include "frame_access.hpp"
#include "plain_calibration.hpp"
#include "result_writer.hpp"
#include "sky_facts.hpp"
#include "star_tables.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

std::array<int, star_classes> count_classes(const pipeline::SubMeasurement& m) {
  std::array<int, star_classes> counts{};
  for (const auto* list : {&m.stars, &m.others}) {
    for (const auto& star : *list) ++counts[static_cast<std::size_t>(star.kind)];
  }
  return counts;
}

void write_tables(const MeasuredFile& measured, const fs::path& out, bool json) {
  const auto stem = table_stem(measured.file);
  StarList all = measured.measurement.stars;
  all.insert(all.end(), measured.measurement.others.begin(), measured.measurement.others.end());
  fits::write_file_atomically(out / (stem + "_stars.csv"), stars_csv(all));
  if (json) fits::write_file_atomically(out / (stem + "_stars.json"), stars_json(all));
  fits::FileWriter writer(out / (stem + "_stars.fits"));
  Header header;
  header.set(program_keyword, version(), "version of the program that wrote this");
  writer.add_image({"", {0, 0}, 1, fits::SampleType::uint8}, header);
  writer.add_table(stars_table(all));
  writer.commit();
}

}  // namespace

std::vector<MeasuredFile> measure_files(const Paths& files, const fs::path& out,
                                        double detection_sigma,
                                        const std::vector<SuppliedCard>& supplied, Threads threads,
                                        const Watch& watch, bool json_tables) {
  if (!out.empty()) fits::make_folder(out);
  std::vector<MeasuredFile> results(files.size());
  std::atomic<std::size_t> done{0};
  pipeline::BufferPool pool;
  parallel_for(threads, files.size(), [&](std::size_t i) {
    watch.check();
    auto& result = results[i];
    result.file = files[i].generic_string();
    try {
      std::error_code unreadable;
      result.missing = !fs::exists(files[i], unreadable);
      require_exists(files[i]);
      const auto file = fits::ImageFile::open(files[i]);
      result.info = interpret_with_supplied(*file, supplied);
      const auto sky = circumstances_of(result.info);
      result.airmass = sky && sky->airmass ? sky->airmass : result.info.airmass;
      pipeline::MeasureSettings settings;
      settings.stars.threshold_sigma = detection_sigma;
      settings.for_combining = false;
      settings.keep_others = true;
      // Other samples than a camera's codes: a processed picture, no offset, units of any size.
      settings.stars.gain_assumed = !result.info.gain_e_per_adu && !file->has_codes16();
      auto buffers = pool.take();
      result.measurement =
          pipeline::measure_sub(*file, plain_calibration(result.info), settings, threads, *buffers);
      pool.give_back(std::move(buffers));
      result.field = stars::measure_field_shape(result.measurement.stars, result.measurement.frame);
      result.classes = count_classes(result.measurement);
      if (!out.empty()) write_tables(result, out, json_tables);
      result.measurement.others = {};
    } catch (const Error& error) {
      if (error.kind() != ErrorKind::input) throw;
      result.fault = error.fault() + "; " + error.mend();
    }
    watch.report("stars", done.fetch_add(1) + 1, files.size());
  });
  return results;
}

}  // namespace coldframe::session
