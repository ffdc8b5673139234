// Measuring, registering and integrating files named on the command line.
#include <fmt/format.h>

#include <algorithm>
#include <atomic>
#include <cmath>
#include <nlohmann/json.hpp>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/session/tools.hpp"
#include "decide.hpp"
#include "describe.hpp"
#include "digest.hpp"
#include "frame_access.hpp"
#include "group_grid.hpp"
#include "group_lines.hpp"
#include "group_work.hpp"
#include "json_parts.hpp"
#include "registration.hpp"
#include "result_writer.hpp"
#include "sky_facts.hpp"
#include "stage_clock.hpp"
#include "star_tables.hpp"
#include "sub_reader.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

// A file as it is: no masters, PEDESTAL honoured, gain from the header.
pipeline::Calibration plain_calibration(const FrameInfo& info) {
  pipeline::Calibration calibration;
  calibration.constant_subtract = static_cast<float>(-info.pedestal_adu.value_or(0.0));
  calibration.cfa = info.cfa;
  calibration.gain_e_per_adu = info.gain_e_per_adu.value_or(0.0);
  calibration.saturation_adu = static_cast<float>(info.saturation_adu.value_or(3.0e38));
  return calibration;
}

std::string table_stem(const fs::path& path) {
  return safe_file_name(path.stem().string()) + "-" + digest(path.generic_string()).substr(0, 6);
}

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
      result.measurement =
          pipeline::measure_sub(*file, plain_calibration(result.info), settings, threads);
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

void refine_files(const std::vector<MeasuredFile>& measured, std::size_t chosen,
                  RegisterOutcome& outcome, Threads threads) {
  std::vector<RegisteredSub> subs;
  for (std::size_t i = 0; i < measured.size(); ++i) {
    subs.push_back({&measured[i].info, &measured[i].measurement, &outcome.files[i].match});
  }
  outcome.distortion = refine_registration(subs, subs[chosen], threads);
  for (std::size_t i = 0; i < measured.size(); ++i) {
    auto& row = outcome.files[i];
    if (!row.fault.empty() || i == chosen) continue;
    row.residuals =
        align::residual_vectors(row.match, measured[i].measurement.stars,
                                measured[chosen].measurement.stars, most_residual_vectors);
  }
}

}  // namespace

RegisterOutcome register_files(const Paths& files, const std::string& reference,
                               const fs::path& resample_into, const align::ResampleOptions& options,
                               Threads threads, const Watch& watch) {
  for (const auto& path : files) require_exists(path);
  const auto measured = measure_files(files, {}, 5.0, {}, threads, watch);
  RegisterOutcome outcome;
  std::vector<SubState> subs(measured.size());
  std::vector<const SubState*> candidates;
  for (std::size_t i = 0; i < measured.size(); ++i) {
    subs[i].name = measured[i].file;
    subs[i].usable = measured[i].fault.empty();
    subs[i].measured.quality = measured[i].measurement.quality;
    candidates.push_back(&subs[i]);
  }
  const auto chosen = choose_reference(candidates, reference);
  outcome.reference = measured[chosen].file;
  outcome.canvas = measured[chosen].measurement.frame;
  outcome.files.resize(measured.size());
  parallel_for(threads, measured.size(), [&](std::size_t i) {
    auto& row = outcome.files[i];
    row.file = measured[i].file;
    row.fault = measured[i].fault;
    if (!row.fault.empty()) return;
    if (i == chosen) {
      row.match.status = align::MatchStatus::matched;
      row.match.transform.model = TransformModel::affine;
      row.match.false_probability = 0.0;
    } else {
      row.match = match_subs(measured[i].measurement, measured[chosen].measurement);
    }
    if (row.match.status != align::MatchStatus::matched)
      row.fault = align::to_string(row.match.status);
  });
  refine_files(measured, chosen, outcome, threads);
  if (!resample_into.empty()) {
    fits::make_folder(resample_into);
    std::size_t done = 0;
    for (std::size_t i = 0; i < files.size(); ++i) {
      watch.check();
      if (outcome.files[i].fault.empty()) {
        write_resampled(files[i], outcome.files[i], outcome.canvas, resample_into, options,
                        threads);
      }
      watch.report("resample", ++done, files.size());
    }
  }
  return outcome;
}

std::string transforms_json(const RegisterOutcome& outcome) {
  nlohmann::ordered_json json = {{"coldframe", version()},
                                 {"schema", 1},
                                 {"reference", outcome.reference},
                                 {"width", outcome.canvas.width},
                                 {"height", outcome.canvas.height}};
  json["distortion"] = distortion_json(outcome.distortion);
  json["files"] = nlohmann::ordered_json::array();
  for (const auto& row : outcome.files) {
    const bool matched = row.fault.empty();
    json["files"].push_back(
        {{"file", row.file},
         {"matched", matched},
         {"why_not", matched ? nlohmann::ordered_json(nullptr) : nlohmann::ordered_json(row.fault)},
         {"matched_stars", row.match.pairs.size()},
         {"residual_px",
          matched ? nlohmann::ordered_json(row.match.rms_px) : nlohmann::ordered_json(nullptr)},
         {"residual_vectors", residuals_json(row.residuals)},
         {"transform",
          matched ? transform_json(row.match.transform) : nlohmann::ordered_json(nullptr)}});
  }
  return json_text(json);
}

void write_transforms(const RegisterOutcome& outcome, const fs::path& out) {
  if (out.has_parent_path()) fits::make_folder(out.parent_path());
  fits::write_file_atomically(out, transforms_json(outcome));
}

namespace {

// Half-size colour frames say where their planes were sampled; others: at the pixels' centres.
std::array<Point, 3> plane_offsets(const fs::path& path) {
  const Header header = fits::ImageFile::open(path)->header();
  std::array<Point, 3> offsets{};
  for (std::size_t p = 0; p < 3; ++p) {
    const auto card = [&](const char* axis) {
      const double value = header.real(fmt::format("CFPL{}{}", axis, p + 1)).value_or(0.0);
      return std::fabs(value) <= 1.0 ? value : 0.0;
    };
    offsets[p] = {card("X"), card("Y")};
  }
  return offsets;
}

GroupState group_of_files(const Inventory& inventory) {
  GroupState group;
  for (std::size_t i = 0; i < inventory.frames.size(); ++i) {
    const auto& entry = inventory.frames[i];
    SubState sub;
    sub.name = entry.name;
    sub.path = entry.path;
    sub.info = &entry.info;
    sub.frame = i;
    auto calibration = plain_calibration(entry.info);
    // Files in electrons say so with EGAIN 1; their pixels need no factor.
    if (entry.info.gain_e_per_adu == 1.0) calibration.unit = PixelUnit::electron;
    sub.calibration = std::make_shared<pipeline::Calibration>(std::move(calibration));
    sub.cache_key = "integrate";
    if (entry.info.cfa != CfaPattern::none || entry.info.planes == 3) group.planes = 3;
    if (entry.info.planes == 3) sub.plane_offset = plane_offsets(entry.path);
    group.subs.push_back(std::move(sub));
  }
  if (!inventory.frames.empty()) {
    group.object = inventory.frames.front().info.object;
    group.filter = inventory.frames.front().info.filter;
  }
  return group;
}

void take_as_aligned(GroupState& group) {
  for (auto& sub : group.subs) {
    if (!sub.usable) continue;
    sub.match.status = align::MatchStatus::matched;
    sub.match.transform.model = TransformModel::affine;
    sub.match.false_probability = 0.0;
    sub.match.pairs.clear();
  }
}

}  // namespace

SessionRecord integrate_files(const IntegrateJob& job, const Watch& watch) {
  SessionRecord record;
  RunOptions options = job.options;
  if (options.memory_bytes == 0) options.memory_bytes = default_memory_bytes();
  record.memory_bytes = options.memory_bytes;
  options.out = job.out.has_parent_path() ? job.out.parent_path() : fs::path(".");
  fits::make_folder(options.out);  // before hours of work, not after
  const auto inventory = take_stock_of_files(job.files, options.supplied, options.threads, watch);
  record.left_out = inventory.left_out;
  GroupState group = group_of_files(inventory);
  if (group.subs.empty()) {
    throw Error(ErrorKind::not_enough_data, "", "none of the files could be used",
                "check the files");
  }
  check_lines(options.lines, group);
  pipeline::MemoryDemand demand;
  demand.frame = demand.canvas = inventory.frames.front().info.size;
  demand.planes = group.planes;
  demand.subs = group.subs.size();
  demand.sets = 0;
  demand.threads = options.threads.resolved();
  demand.demosaic = options.demosaic;
  const auto plan = pipeline::plan_memory(demand, options.memory_bytes);
  {
    // Nothing is cached between calls: files change hands too often here.
    const StageClock clock(record.timings, "measure");
    RunOptions uncached = options;
    uncached.out.clear();
    measure_group(group, uncached, plan, record, watch);
  }
  std::vector<const SubState*> candidates;
  std::vector<std::string> sub_names;
  for (const auto& sub : group.subs) {
    candidates.push_back(&sub);
    sub_names.push_back(sub.name);
  }
  if (options.weighting == stack::Weighting::owner) {
    check_owner_weights(options.owner_weights, sub_names);
    for (auto& name : weightless_subs(options.owner_weights, sub_names)) {
      options.keep.drop.push_back(std::move(name));
    }
  }
  const SubState* reference = candidates[choose_reference(candidates, options.reference)];
  if (job.aligned) {
    take_as_aligned(group);
  } else {
    const StageClock clock(record.timings, "register");
    register_group(group, *reference, options.threads, watch);
  }
  judge_group(group, options.keep);
  describe_group(group, options.threads);
  const Canvas canvas = choose_canvas(kept_footprints(group), reference->measured.frame,
                                      canvas_options(options, *reference->info));
  place_on_canvas(group, canvas);
  normalise_group(group, canvas.size, options);
  options.remove_background = false;
  const ResultRecord row = result_row(group);
  record.results.push_back(row);
  record_subs(group, 0, nullptr, record);
  if (row.subs_kept == 0) {
    throw Error(ErrorKind::not_enough_data, "",
                "no file could be kept: " + group.subs.front().reason,
                "see --json for the reasons");
  }
  // Aligned files are copied where the canvas is their own grid, else resampled onto it.
  const bool shifted = std::any_of(group.subs.begin(), group.subs.end(), [](const SubState& sub) {
    return std::any_of(sub.plane_offset.begin(), sub.plane_offset.end(),
                       [](Point p) { return p.x != 0.0 || p.y != 0.0; });
  });
  const bool on_grid = job.aligned && !shifted && canvas.is_reference(reference->measured.frame);
  CombineContext context{options, record,  watch,     job.out.stem().string(), reference, canvas,
                         0,       on_grid, &inventory};
  combine_group(group, context, 0);
  separate_group_lines(group, context, 0);
  record.state = "done";
  record.peak_memory_bytes = peak_memory_bytes();
  return record;
}

}  // namespace coldframe::session
