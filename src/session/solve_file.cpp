// `coldframe solve`: one file in, a copy with its place on the sky out.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/fits/revise.hpp"
#include "coldframe/session/tools.hpp"
#include "colour_stars.hpp"
#include "frame_access.hpp"
#include "result_stars.hpp"
#include "solving_parts.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

bool has_unit(const std::vector<fits::HduSummary>& units, std::string_view name) {
  return std::any_of(units.begin(), units.end(),
                     [&](const fits::HduSummary& unit) { return unit.name == name; });
}

// What measuring gives, whichever way.
struct Look {
  FrameInfo info;
  Size frame;
  StarList stars;
  stars::FrameQuality quality;
  bool own_result = false;  ///< made by this program: sky level and UNCERT can be trusted
};

int judged_plane(const fits::ImageFile& file) { return file.planes() == 3 ? 1 : 0; }

Look look_at_result(const fits::ImageFile& file, const SolveJob& job) {
  Look look;
  look.info = interpret_with_supplied(file, job.supplied);
  look.frame = file.size();
  const auto flags_file = fits::ImageFile::open(job.in, "FLAGS");
  if (flags_file->size() != file.size()) {
    throw Error(ErrorKind::input, job.in.string(), "FLAGS has another size than the image",
                "make the result again");
  }
  Grid<float> image(look.frame);
  Mask flags(look.frame);
  const int plane = judged_plane(file);
  for_strips(look.frame, [&](const Rect& band) {
    file.fill(plane, band, image.view().crop(band));
    Grid<float> bits(band.size());
    flags_file->fill(plane, band, bits.view());
    for (int y = 0; y < band.height(); ++y) {
      for (int x = 0; x < band.width(); ++x) {
        flags(band.x0 + x, band.y0 + y) = static_cast<std::uint8_t>(bits(x, y));
      }
    }
  });
  auto measured =
      measure_result(std::move(image), std::move(flags), look.info.gain_e_per_adu.value_or(1.0),
                     job.threads, job.detection_sigma);
  look.stars = std::move(measured.stars);
  look.quality = measured.quality;
  look.own_result = file.header().find(program_keyword) != nullptr;
  return look;
}

Look look_at_frame(const SolveJob& job, const Watch& watch) {
  auto measured =
      measure_files({job.in}, {}, job.detection_sigma, job.supplied, job.threads, watch);
  auto& one = measured.front();
  if (!one.fault.empty()) throw Error(ErrorKind::input, job.in.string(), one.fault, "");
  Look look;
  look.info = one.info;
  look.frame = one.measurement.frame;
  look.stars = std::move(one.measurement.stars);
  look.quality = one.measurement.quality;
  return look;
}

// Median of UNCERT, and how errors grow with the aperture, from its header.
void read_uncertainty(const fs::path& path, MeasuredImage& image) {
  const auto file = fits::ImageFile::open(path, "UNCERT");
  std::vector<double> sampled;
  constexpr int step = 16;
  const int plane = judged_plane(*file);
  for_strips(file->size(), [&](const Rect& band) {
    Grid<float> values(band.size());
    file->fill(plane, band, values.view());
    for (int y = 0; y < band.height(); y += step) {
      for (int x = 0; x < band.width(); x += step) {
        const auto value = static_cast<double>(values(x, y));
        if (std::isfinite(value) && value > 0.0) sampled.push_back(value);
      }
    }
  });
  if (!sampled.empty()) image.noise_per_px = median_in_place(sampled);
  std::vector<std::pair<double, double>> known;
  for (const int side : {4, 8, 16, 32}) {
    if (const auto factor = file->header().real(fmt::format("NOISC{:03}", side))) {
      known.emplace_back(side, *factor);
    }
  }
  if (known.empty()) {
    if (const auto factor = file->header().real("NOISCORR")) known.emplace_back(16.0, *factor);
  }
  image.noise_factor = [known](double side) { return factor_at(known, side); };
}

MeasuredImage facts_of(const Look& look) {
  MeasuredImage image;
  image.frame = look.frame;
  image.stars = look.stars;
  image.quality = look.quality;
  if (look.info.ra_deg && look.info.dec_deg) {
    image.pointing = SkyPoint{*look.info.ra_deg, *look.info.dec_deg};
  }
  image.arcsec_per_px = look.info.arcsec_per_px();
  image.exposure_s = look.info.exposure_s;
  image.noise_per_px = look.quality.noise_per_px;
  image.noise_factor = [](double) { return 1.0; };
  return image;
}

void write_solved(const SolveJob& job, const SolvedImage& solved) {
  fits::Revision revision;
  revision.remove = sky::is_solution_card;
  revision.cards = solved_cards(solved);
  revision.cards.set(program_keyword, version(), "version of the program that wrote this");
  revision.cards.history(
      fmt::format("solved with {} stars of {}", solved.plate.used, solved.catalogue));
  revision.tables.push_back(photometry_table(solved));
  if (job.out.has_parent_path()) fits::make_folder(job.out.parent_path());
  fits::write_revised(job.in, job.out, revision);
  fs::path csv = job.table;
  if (csv.empty()) csv = fs::path(job.out).replace_extension().string() + "_photometry.csv";
  fits::write_file_atomically(csv, photometry_csv(solved));
}

}  // namespace

SolvedImage solve_file(const SolveJob& job, const Watch& watch) {
  require_exists(job.in);
  require_exists(job.options.catalogue.path);
  const auto units = fits::list_hdus(job.in);
  const auto file = fits::ImageFile::open(job.in);
  // Before the measuring: faults of the catalogue should not have to wait for it.
  const auto catalogue =
      read_catalogue(job.options.catalogue, year_of(interpret_with_supplied(*file, job.supplied)));
  const bool result = has_unit(units, "FLAGS");
  const Look look = result ? look_at_result(*file, job) : look_at_frame(job, watch);
  MeasuredImage image = facts_of(look);
  if (has_unit(units, "UNCERT")) read_uncertainty(job.in, image);
  // Only where no offset hides in the level, and the sky has not been taken out.
  if (look.own_result && !has_unit(units, "MODEL")) image.sky_per_px = look.quality.sky_level;
  watch.check();
  auto solved = solve_image(image, catalogue, job.options, job.threads);
  if (!solved.solved()) return solved;
  if (file->planes() == 3) {
    solved.balance = balance_of(job.in, solved, job.options.white_colour);
  }
  write_solved(job, solved);
  return solved;
}

}  // namespace coldframe::session
