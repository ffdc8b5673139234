#include "flat_sky.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

// With a `guide`, objects and order are those of another colour.
sky::GradientModel fit_plane(const fits::ImageFile& image, const fits::ImageFile* weight, int plane,
                             const sky::GradientModel* guide, const sky::GradientOptions& options,
                             Threads threads) {
  const Size size = image.size();
  Grid<float> values(size);
  Grid<float> exposure(weight != nullptr ? size : Size{});
  Mask mask(size);
  for_strips(size, [&](const Rect& band) {
    image.fill(plane, band, values.view().crop(band));
    if (weight != nullptr) weight->fill(plane, band, exposure.view().crop(band));
  });
  for (int y = 0; y < size.height; ++y) {
    for (int x = 0; x < size.width; ++x) mask(x, y) = std::isfinite(values(x, y)) ? 0 : 1;
  }
  if (guide != nullptr) {
    return sky::fit_gradient_like(*guide, values.cview(), mask.cview(), exposure.cview(), options,
                                  threads);
  }
  return sky::fit_gradient(values.cview(), mask.cview(), exposure.cview(), options, threads);
}

// Objects lie at the same place in all colours: one colour's gradient that was told from them lends
// its view of the field to a colour where it was not. Else the sky would be left with a hue.
std::vector<sky::GradientModel> fit_planes(const fits::ImageFile& image,
                                           const fits::ImageFile* weight,
                                           const sky::GradientOptions& options, Threads threads) {
  std::vector<sky::GradientModel> models;
  for (int p = 0; p < image.planes(); ++p) {
    models.push_back(fit_plane(image, weight, p, nullptr, options, threads));
  }
  const auto fitted = [](const sky::GradientModel& m) {
    return m.status == sky::GradientStatus::fitted;
  };
  const auto guide =
      std::max_element(models.begin(), models.end(), [&](const auto& a, const auto& b) {
        return (fitted(a) ? a.free_sky_share : 0.0) < (fitted(b) ? b.free_sky_share : 0.0);
      });
  if (guide == models.end() || !fitted(*guide)) return models;
  for (std::size_t p = 0; p < models.size(); ++p) {
    if (fitted(models[p])) continue;
    auto led = fit_plane(image, weight, static_cast<int>(p), &*guide, options, threads);
    if (fitted(led)) models[p] = std::move(led);
  }
  return models;
}

void write_plane(fits::FileWriter& writer, const fits::ImageFile& image,
                 const sky::GradientModel& model, int plane, int values_hdu, int model_hdu) {
  for_strips(image.size(), [&](const Rect& band) {
    Grid<float> values(band.size());
    Grid<float> sky(band.size());
    image.fill(plane, band, values.view());
    for (int y = 0; y < band.height(); ++y) {
      const auto row = values.row(y);
      const auto level = sky.row(y);
      if (model.status != sky::GradientStatus::declined) model.row(band.y0 + y, level);
      for (std::size_t x = 0; x < row.size(); ++x) row[x] -= level[x];
    }
    writer.write_rows(values_hdu, plane, band.y0, values.cview());
    writer.write_rows(model_hdu, plane, band.y0, sky.cview());
  });
}

void copy_extension(fits::FileWriter& writer, const std::filesystem::path& from, const char* name,
                    int hdu) {
  const auto file = fits::ImageFile::open(from, name);
  for_pixel_strips(*file, [&](int plane, const Rect& band, PlaneView<const float> pixels) {
    writer.write_rows(hdu, plane, band.y0, pixels);
  });
}

int add_uncertainty(fits::FileWriter& writer, const std::filesystem::path& result, Size size,
                    int planes) {
  Header uncert;
  uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
  const auto old = fits::ImageFile::open(result, "UNCERT");
  for (const auto& card : old->header().cards()) {
    if (card.keyword.starts_with("NOISCOR") || card.keyword.starts_with("NOISC0")) uncert.add(card);
  }
  return writer.add_image({"UNCERT", size, planes, fits::SampleType::float32}, uncert);
}

PlaneBackground summary_of(const sky::GradientModel& model) {
  PlaneBackground plane;
  plane.status = model.status == sky::GradientStatus::fitted       ? "fitted"
                 : model.status == sky::GradientStatus::level_only ? "level-only"
                                                                   : "declined";
  plane.order = model.surface.order;
  plane.free_sky_share = model.free_sky_share;
  plane.taken_share = model.taken_share;
  plane.residual_rms = model.residual_rms;
  plane.cell_noise = model.cell_noise;
  return plane;
}

// The least favourable plane speaks for all.
Header model_header(const fits::ImageFile& image, const std::vector<PlaneBackground>& planes) {
  Header header;
  header.set("BUNIT", image.header().text("BUNIT").value_or("adu"));
  double free_share = 1.0;
  std::optional<double> taken;
  int order = 0;
  for (const auto& plane : planes) {
    free_share = std::min(free_share, plane.free_sky_share);
    order = std::max(order, plane.order);
    if (plane.taken_share) taken = std::max(taken.value_or(-1.0), *plane.taken_share);
  }
  header.set("SKYORDER", order, "order of the surface");
  header.set("SKYFREE", free_share, "share of the field that no object covers");
  if (taken) header.set("SKYTAKEN", *taken, "share of an object's light such a fit takes");
  return header;
}

}  // namespace

FlatSkyOutcome write_flat_sky(const std::filesystem::path& result, const std::filesystem::path& out,
                              const sky::GradientOptions& options, Threads threads) {
  FlatSkyOutcome outcome;
  const auto image = fits::ImageFile::open(result);
  const auto units = fits::list_hdus(result);
  const auto has = [&](std::string_view name) {
    return std::any_of(units.begin(), units.end(),
                       [&](const fits::HduSummary& unit) { return unit.name == name; });
  };
  const auto weight = has("WEIGHT") ? fits::ImageFile::open(result, "WEIGHT") : nullptr;
  const Size size = image->size();
  const int planes = image->planes();
  const auto models = fit_planes(*image, weight.get(), options, threads);
  for (const auto& model : models) {
    outcome.planes.push_back(summary_of(model));
    if (model.status == sky::GradientStatus::declined) {
      outcome.note =
          "an object fills the field: the sky could not be told from it, no gradient was removed; "
          "take a wider field, or use --no-background";
    } else if (model.status == sky::GradientStatus::level_only && outcome.note.empty()) {
      outcome.note = "little free sky: only a constant level was removed, no gradient";
    }
  }
  fits::FileWriter writer(out);
  Header header = image->header();
  header.history("sky gradient and mean sky level subtracted; model in extension MODEL");
  const int values = writer.add_image({"", size, planes, fits::SampleType::float32}, header);
  const bool with_errors = has("UNCERT");
  const int error = with_errors ? add_uncertainty(writer, result, size, planes) : -1;
  const bool with_mask = has("MASK");
  const int mask =
      with_mask ? writer.add_image({"MASK", size, planes, fits::SampleType::uint8}, {}) : -1;
  const int model = writer.add_image({"MODEL", size, planes, fits::SampleType::float32},
                                     model_header(*image, outcome.planes));
  for (int p = 0; p < planes; ++p) {
    write_plane(writer, *image, models[static_cast<std::size_t>(p)], p, values, model);
  }
  if (with_errors) copy_extension(writer, result, "UNCERT", error);
  if (with_mask) copy_extension(writer, result, "MASK", mask);
  writer.commit();
  outcome.written = true;
  return outcome;
}

}  // namespace coldframe::session
