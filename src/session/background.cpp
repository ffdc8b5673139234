#include "coldframe/session/background.hpp"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <system_error>

#include "background_json.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/sky/wcs.hpp"
#include "flat_sky.hpp"
#include "frame_access.hpp"
#include "json_parts.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
using nlohmann::ordered_json;

namespace {

constexpr const char* form =
    R"(write {"coordinates": "pixel", "protect": [[[x, y], [x, y], [x, y]]], "sample": []})";

[[noreturn]] void refuse(const fs::path& path, const std::string& what) {
  throw Error(ErrorKind::usage, path.string(), what, form);
}

sky::Polygon polygon_of(const ordered_json& corners, const SkyProjection* projection,
                        const fs::path& path) {
  sky::Polygon polygon;
  if (!corners.is_array() || corners.size() < 3) refuse(path, "a polygon needs three corners");
  for (const auto& corner : corners) {
    const bool pair =
        corner.is_array() && corner.size() == 2 && corner[0].is_number() && corner[1].is_number();
    if (!pair) refuse(path, "a corner must be two numbers");
    Point p{corner[0].get<double>(), corner[1].get<double>()};
    if (projection != nullptr) {
      const auto pixel = projection->to_pixel({p.x, p.y});
      if (!pixel) refuse(path, "a corner lies outside the projection of the image");
      p = *pixel;
    }
    polygon.push_back(p);
  }
  return polygon;
}

void copy_model(const fs::path& from, const fs::path& to) {
  const auto file = fits::ImageFile::open(from, "MODEL");
  Header header;
  header.set("BUNIT", file->header().text("BUNIT").value_or("adu"));
  header.set(program_keyword, version(), "version of the program that wrote this");
  header.history("model of the sky, as subtracted from " + from.filename().string());
  fits::FileWriter writer(to);
  const int hdu =
      writer.add_image({"", file->size(), file->planes(), fits::SampleType::float32}, header);
  for_pixel_strips(*file, [&](int plane, const Rect& band, PlaneView<const float> pixels) {
    writer.write_rows(hdu, plane, band.y0, pixels);
  });
  writer.commit();
}

bool one_file(const fs::path& a, const fs::path& b) {
  std::error_code fault;
  return fs::equivalent(a, b, fault) && !fault;
}

}  // namespace

namespace {

// Without a header corners on the sky are taken as they stand.
void read_regions(const fs::path& path, const Header* header, sky::GradientOptions& options) {
  const auto json = ordered_json::parse(fits::read_text(path), nullptr, false);
  if (json.is_discarded() || !json.is_object()) refuse(path, "is no JSON object");
  for (const auto& [key, value] : json.items()) {
    if (key != "coordinates" && key != "protect" && key != "sample") {
      refuse(path, "has the unknown key '" + key + "'");
    }
  }
  const auto coordinates = json.value("coordinates", ordered_json("pixel"));
  if (coordinates != "pixel" && coordinates != "sky") {
    refuse(path, "'coordinates' must be \"pixel\" or \"sky\"");
  }
  std::unique_ptr<SkyProjection> projection;
  if (coordinates == "sky" && header != nullptr) {
    projection = sky::projection_from_header(*header);
    if (!projection) refuse(path, "regions on the sky need an image with a solution");
  }
  const auto read = [&](const char* key, std::vector<sky::Polygon>& list) {
    if (!json.contains(key)) return;
    if (!json[key].is_array()) refuse(path, fmt::format("'{}' must be a list of polygons", key));
    for (const auto& corners : json[key]) {
      list.push_back(polygon_of(corners, projection.get(), path));
    }
  };
  read("protect", options.protect);
  read("sample", options.sample);
}

}  // namespace

void read_regions(const fs::path& path, const Header& header, sky::GradientOptions& options) {
  read_regions(path, &header, options);
}

void check_regions(const fs::path& path) {
  sky::GradientOptions ignored;
  read_regions(path, nullptr, ignored);
}

BackgroundOutcome remove_background(const BackgroundJob& job, const Watch& watch) {
  require_exists(job.in);
  for (const auto& target : {job.out, job.model}) {
    if (!target.empty() && one_file(job.in, target)) {
      throw Error(ErrorKind::usage, target.string(), "is the file to be read", "give another name");
    }
    if (target.has_parent_path()) fits::make_folder(target.parent_path());
  }
  auto options = job.options;
  if (!job.regions.empty()) {
    read_regions(job.regions, fits::ImageFile::open(job.in)->header(), options);
  }
  watch.check();
  auto flat = write_flat_sky(job.in, job.out, options, job.threads);
  if (!job.model.empty()) copy_model(job.out, job.model);
  return {std::move(flat.planes), std::move(flat.note)};
}

ordered_json planes_json(const std::vector<PlaneBackground>& planes) {
  auto list = ordered_json::array();
  for (const auto& p : planes) {
    list.push_back(
        {{"status", p.status},
         {"order", p.order},
         {"free_sky_share", p.free_sky_share},
         {"taken_share", p.taken_share ? ordered_json(*p.taken_share) : ordered_json(nullptr)},
         {"residual_rms", p.residual_rms},
         {"cell_noise", p.cell_noise}});
  }
  return list;
}

std::string background_json(const BackgroundOutcome& outcome) {
  ordered_json json = {{"coldframe", version()}, {"schema", 1}};
  json["planes"] = planes_json(outcome.planes);
  json["note"] = outcome.note.empty() ? ordered_json(nullptr) : ordered_json(outcome.note);
  return json_text(json);
}

}  // namespace coldframe::session
