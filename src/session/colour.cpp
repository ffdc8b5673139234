#include "colour.hpp"

#include <algorithm>
#include <cctype>
#include <cmath>

#include "coldframe/core/image.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "coldframe/view/picture.hpp"
#include "digest.hpp"

namespace coldframe::session {
namespace {

constexpr int strip = 256;
constexpr int preview_px = 1600;

// Spellings of the three broad-band filters (common practice, no source).
int colour_of(std::string filter) {
  std::transform(filter.begin(), filter.end(), filter.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  if (filter == "r" || filter == "red") return 0;
  if (filter == "g" || filter == "green") return 1;
  if (filter == "b" || filter == "blue") return 2;
  return -1;
}

void copy_planes(const std::unique_ptr<fits::ImageFile> (&sources)[3], fits::FileWriter& writer,
                 int hdu) {
  const Size size = sources[0]->size();
  for (int p = 0; p < 3; ++p) {
    for (int y = 0; y < size.height; y += strip) {
      const Rect band{0, y, size.width, std::min(y + strip, size.height)};
      Grid<float> values(band.size());
      sources[p]->fill(0, band, values.view());
      writer.write_rows(hdu, p, y, values.cview());
    }
  }
}

Image binned_preview(const fits::ImageFile& file) {
  const Size size = file.size();
  const int bin = std::max((std::max(size.width, size.height) + preview_px - 1) / preview_px, 1);
  Image picture({size.width / bin, size.height / bin}, 3);
  for (int p = 0; p < 3; ++p) {
    for (int j = 0; j < picture.height(); ++j) {
      Grid<float> rows(size.width, bin);
      file.fill(p, {0, j * bin, size.width, (j + 1) * bin}, rows.view());
      for (int i = 0; i < picture.width(); ++i) {
        double sum = 0.0;
        int count = 0;
        for (int y = 0; y < bin; ++y) {
          for (int x = i * bin; x < (i + 1) * bin; ++x) {
            if (!std::isfinite(rows(x, y))) continue;
            sum += static_cast<double>(rows(x, y));
            ++count;
          }
        }
        picture.plane(p)(i, j) = count > 0 ? static_cast<float>(sum / count) : std::nanf("");
      }
    }
  }
  return picture;
}

}  // namespace

std::optional<std::string> compose_colour(const std::string& object, SessionRecord& record,
                                          const std::filesystem::path& out) {
  const ResultRecord* parts[3] = {nullptr, nullptr, nullptr};
  for (const auto& row : record.results) {
    const int colour = row.object == object && row.planes == 1 && !row.path.empty() ? colour_of(row.filter) : -1;
    if (colour >= 0 && parts[colour] == nullptr) parts[colour] = &row;
  }
  if (std::any_of(std::begin(parts), std::end(parts), [](const auto* part) { return part == nullptr; })) {
    return std::nullopt;
  }
  // Without its gradient where that was taken out: a neutral sky needs no guessing.
  const bool flat = std::all_of(std::begin(parts), std::end(parts),
                                [](const auto* part) { return !part->flat_sky_path.empty(); });
  const std::string name = safe_file_name(object) + "_colour";
  const auto path = out / (name + ".fits");
  {
    std::unique_ptr<fits::ImageFile> values[3], errors[3], masks[3];
    for (int p = 0; p < 3; ++p) {
      const auto file = out / (flat ? parts[p]->flat_sky_path : parts[p]->path);
      values[p] = fits::ImageFile::open(file);
      errors[p] = fits::ImageFile::open(file, "UNCERT");
      masks[p] = fits::ImageFile::open(file, "MASK");
    }
    Header header = values[1]->header();
    header.set("FILTER", "colour");
    header.history("planes: red, green, blue filters of one grid");
    fits::FileWriter writer(path);
    const Size size = values[0]->size();
    const int mean = writer.add_image({"", size, 3, fits::SampleType::float32}, header);
    Header uncert;
    uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
    const int error = writer.add_image({"UNCERT", size, 3, fits::SampleType::float32}, uncert);
    const int mask = writer.add_image({"MASK", size, 3, fits::SampleType::uint8}, {});
    copy_planes(values, writer, mean);
    copy_planes(errors, writer, error);
    copy_planes(masks, writer, mask);
    writer.commit();
  }
  const auto file = fits::ImageFile::open(path);
  const Image picture = binned_preview(*file);
  fits::write_file_atomically(out / (name + ".png"),
                              view::encode_png(view::render(picture, view::automatic_stretch(picture))));
  ResultRecord row;
  row.object = object;
  row.filter = "colour";
  row.planes = 3;
  row.path = name + ".fits";
  row.preview = name + ".png";
  row.reference = parts[1]->reference;
  row.unit = parts[1]->unit;
  for (const auto* part : parts) {
    row.subs_total += part->subs_total;
    row.subs_kept += part->subs_kept;
    row.exposure_s += part->exposure_s;
  }
  record.results.push_back(std::move(row));
  return name + ".fits";
}

}  // namespace coldframe::session
