#include "colour.hpp"

#include <algorithm>
#include <cctype>

#include "coldframe/core/image.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"
#include "preview.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

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
  for (int p = 0; p < 3; ++p) {
    for_pixel_strips(*sources[p], [&](int, const Rect& band, PlaneView<const float> pixels) {
      writer.write_rows(hdu, p, band.y0, pixels);
    });
  }
}

}  // namespace

std::optional<std::string> compose_colour(const std::string& object, SessionRecord& record,
                                          const std::filesystem::path& out) {
  const ResultRecord* parts[3] = {nullptr, nullptr, nullptr};
  for (const auto& row : record.results) {
    const int colour =
        row.object == object && row.planes == 1 && !row.path.empty() ? colour_of(row.filter) : -1;
    if (colour >= 0 && parts[colour] == nullptr) parts[colour] = &row;
  }
  if (std::any_of(std::begin(parts), std::end(parts),
                  [](const auto* part) { return part == nullptr; })) {
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
  write_preview(path, out / (name + ".png"));
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
