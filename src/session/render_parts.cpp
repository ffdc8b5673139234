#include "render_parts.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cmath>

#include "catalogue_table.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/fits/text_file.hpp"
#include "coldframe/sky/wcs.hpp"
#include "coldframe/view/enhance.hpp"
#include "frame_access.hpp"

namespace coldframe::session {
namespace {

namespace fs = std::filesystem;

Image read_planes(const fits::ImageFile& file) {
  Image image(file.size(), file.planes());
  for (int p = 0; p < file.planes(); ++p) file.fill(p, whole(file.size()), image.plane(p));
  return image;
}

/// The result's own noise per pixel, where the file has it.
Image noise_of(const fs::path& path, const Image& image) {
  const auto units = fits::list_hdus(path);
  const bool there = std::ranges::any_of(units, [](const auto& u) { return u.name == "UNCERT"; });
  if (!there) return {};
  Image noise = read_planes(*fits::ImageFile::open(path, "UNCERT"));
  if (noise.size() != image.size() || noise.planes() != image.planes()) return {};
  return noise;
}

void sharpen_planes(Image& image, const RenderJob& job, const fits::ImageFile& file) {
  const auto width = job.star_fwhm_px ? job.star_fwhm_px : file.header().real("FWHM");
  if (!width || !(*width > 0.0)) {
    throw Error(ErrorKind::usage, file.path().string(), "does not tell how wide its stars are",
                "give --star-width in px");
  }
  view::SharpenOptions options;
  options.fwhm_px = *width;
  options.iterations = job.sharpen_iterations;
  for (int p = 0; p < image.planes(); ++p) view::sharpen(image.plane(p), options, job.threads);
}

/// Index of the column with one of these names; `columns.size()`: none.
std::size_t column_named(const std::vector<std::string>& columns,
                         std::initializer_list<std::string_view> names) {
  for (const auto name : names) {
    for (std::size_t i = 0; i < columns.size(); ++i) {
      std::string lower = columns[i];
      std::ranges::transform(lower, lower.begin(),
                             [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
      if (lower == name) return i;
    }
  }
  return columns.size();
}

view::PicturePoint on_picture(Point pixel, const PictureFrame& frame) {
  // The middle of the first `factor` pixels is the middle of the picture's first one.
  const double middle = 0.5 * (frame.factor - 1);
  const double x = (pixel.x - frame.x0 - middle) / frame.factor;
  const double y = (pixel.y - frame.y0 - middle) / frame.factor;
  return {x, frame.size.height - 1.0 - y};
}

std::vector<view::MarkedObject> objects_of(const fs::path& path, const SkyProjection& projection,
                                           const PictureFrame& frame, double arcsec_per_pixel) {
  require_exists(path);
  const std::string text = fits::read_long_text(path);
  const auto table = cells_of(text, path.string());
  const auto name = column_named(table.names, {"name", "object", "label"});
  const auto ra = column_named(table.names, {"ra", "ra_deg", "raj2000"});
  const auto dec = column_named(table.names, {"dec", "dec_deg", "dej2000", "decj2000"});
  const auto radius = column_named(table.names, {"radius_arcmin", "radius"});
  if (std::max({name, ra, dec}) >= table.names.size()) {
    throw Error(ErrorKind::input, path.string(), "lacks a column of name, ra or dec",
                "give a header line: name,ra,dec,radius_arcmin (positions in degrees)");
  }
  std::vector<view::MarkedObject> objects;
  for (const auto& row : table.rows) {
    if (row.size() <= std::max({name, ra, dec})) continue;
    const SkyPoint at{cell_angle(std::string(row[ra]), true),
                      cell_angle(std::string(row[dec]), false)};
    if (!std::isfinite(at.ra_deg) || !std::isfinite(at.dec_deg)) continue;
    const auto pixel = projection.to_pixel(at);
    if (!pixel) continue;
    const double arcmin = radius < row.size() ? cell_number(std::string(row[radius])) : 0.0;
    const double ring = std::isfinite(arcmin) ? 60.0 * arcmin / arcsec_per_pixel : 0.0;
    objects.push_back({on_picture(*pixel, frame), ring, std::string(row[name])});
  }
  return objects;
}

/// Direction of a step on the sky, as the picture shows it.
std::optional<view::PicturePoint> way_of(const SkyProjection& projection, Point middle,
                                         SkyPoint there) {
  const auto pixel = projection.to_pixel(there);
  if (!pixel) return std::nullopt;
  const double dx = pixel->x - middle.x, dy = pixel->y - middle.y;
  const double length = std::hypot(dx, dy);
  if (!(length > 0.0)) return std::nullopt;
  return view::PicturePoint{dx / length, -dy / length};
}

std::optional<view::Compass> compass_of(const SkyProjection& projection, Point middle) {
  const auto sky = projection.to_sky(middle);
  if (!sky || std::abs(sky->dec_deg) > 89.9) return std::nullopt;  // every way is south
  constexpr double step = 1.0 / 60.0;
  const double east_step = step / std::cos(sky->dec_deg * 0.017453292519943295);
  const auto north = way_of(projection, middle, {sky->ra_deg, sky->dec_deg + step});
  const auto east = way_of(projection, middle, {sky->ra_deg + east_step, sky->dec_deg});
  if (!north || !east) return std::nullopt;
  return view::Compass{*north, *east};
}

}  // namespace

Image read_for_picture(const fs::path& path, const RenderJob& job) {
  require_exists(path);
  const auto file = fits::ImageFile::open(path);
  Image image = read_planes(*file);
  // A picture's colours may stay soft where another image gives the brightness.
  const bool only_colour = !job.luminance.empty() && path != job.luminance;
  if (job.sharpen_iterations > 0 && !only_colour) sharpen_planes(image, job, *file);
  if (job.smooth_sigma > 0.0) {
    const Image noise = noise_of(path, image);
    for (int p = 0; p < image.planes(); ++p) {
      view::smooth_by_noise(image.plane(p),
                            noise.empty() ? PlaneView<const float>{} : noise.plane(p),
                            job.smooth_sigma, job.threads);
    }
  }
  return image;
}

std::string render_note(const RenderJob& job) {
  std::string note;
  if (job.sharpen_iterations > 0) {
    note = fmt::format("sharpened by {} damped Richardson-Lucy iterations with {}",
                       job.sharpen_iterations,
                       job.star_fwhm_px ? fmt::format("a star of {:.2f} px", *job.star_fwhm_px)
                                        : "the measured star");
  }
  if (job.smooth_sigma > 0.0) {
    note += fmt::format("{}smoothed where the noise of {:.3g} sigma explains it",
                        note.empty() ? "" : "; ", job.smooth_sigma);
  }
  return note;
}

view::Annotations annotations_for(const RenderJob& job, const fs::path& image,
                                  const PictureFrame& frame) {
  const auto projection = sky::projection_from_header(fits::ImageFile::open(image)->header());
  const Point middle{frame.x0 + 0.5 * frame.factor * frame.size.width,
                     frame.y0 + 0.5 * frame.factor * frame.size.height};
  const auto scale = projection ? sky::arcsec_per_px(*projection, middle) : std::nullopt;
  if (!scale) {
    throw Error(ErrorKind::usage, image.string(), "has no position on the sky to annotate",
                "solve it first: coldframe solve, or run with --catalogue");
  }
  view::Annotations all;
  const double picture_scale = *scale * frame.factor;
  if (job.annotate) {
    all.bar = view::scale_bar(picture_scale, frame.size.width);
    all.compass = compass_of(*projection, middle);
  }
  if (!job.objects.empty())
    all.objects = objects_of(job.objects, *projection, frame, picture_scale);
  return all;
}

}  // namespace coldframe::session
