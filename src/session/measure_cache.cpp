#include "measure_cache.hpp"

#include <fmt/format.h>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "frame_access.hpp"

namespace coldframe::session {
namespace {

using Column = fits::TableColumn;

struct StarField {
  const char* name;
  double Star::*member;
};

constexpr StarField star_fields[] = {{"X", &Star::x},
                                     {"Y", &Star::y},
                                     {"FLUX", &Star::flux},
                                     {"PEAK", &Star::peak},
                                     {"SKY", &Star::sky},
                                     {"FWHM", &Star::fwhm_px},
                                     {"MAJOR", &Star::fwhm_major_px},
                                     {"MINOR", &Star::fwhm_minor_px},
                                     {"ELLIPTICITY", &Star::ellipticity},
                                     {"ANGLE", &Star::angle_deg},
                                     {"BETA", &Star::beta},
                                     {"SNR", &Star::snr},
                                     {"X_ERROR", &Star::x_error},
                                     {"Y_ERROR", &Star::y_error},
                                     {"FLUX_ERROR", &Star::flux_error},
                                     {"FWHM_ERROR", &Star::fwhm_error_px},
                                     {"CHI2", &Star::chi2_per_dof}};

fits::Table star_table(const StarList& stars) {
  fits::Table table;
  table.name = "STARS";
  for (const auto& field : star_fields) {
    std::vector<double> values;
    for (const auto& star : stars) values.push_back(star.*field.member);
    table.columns.push_back({field.name, "", std::move(values)});
  }
  std::vector<std::int32_t> fitted;
  std::vector<std::int32_t> kind;
  for (const auto& star : stars) {
    fitted.push_back(star.fitted ? 1 : 0);
    kind.push_back(static_cast<std::int32_t>(star.kind));
  }
  table.columns.push_back({"FITTED", "", std::move(fitted)});
  table.columns.push_back({"KIND", "", std::move(kind)});
  return table;
}

template <typename T>
const std::vector<T>& column(const fits::Table& table, const char* name) {
  const auto* found = table.find(name);
  const auto* values = found != nullptr ? std::get_if<std::vector<T>>(&found->data) : nullptr;
  if (values == nullptr) throw Error(ErrorKind::input, "", "column missing", "");
  return *values;
}

StarList stars_of(const fits::Table& table) {
  StarList stars(table.rows());
  for (const auto& field : star_fields) {
    const auto& values = column<double>(table, field.name);
    for (std::size_t i = 0; i < stars.size(); ++i) stars[i].*field.member = values[i];
  }
  const auto& fitted = column<std::int32_t>(table, "FITTED");
  const auto& kind = column<std::int32_t>(table, "KIND");
  for (std::size_t i = 0; i < stars.size(); ++i) {
    stars[i].fitted = fitted[i] != 0;
    stars[i].kind = static_cast<StarClass>(kind[i]);
  }
  return stars;
}

fits::Table quality_table(const pipeline::SubMeasurement& m) {
  const auto& q = m.quality;
  fits::Table table;
  table.name = "QUALITY";
  const auto add = [&](const char* name, double value) {
    table.columns.push_back({name, "", std::vector<double>{value}});
  };
  add("STATUS", static_cast<double>(q.status));
  add("STARS", q.stars);
  add("FITTED", q.fitted);
  add("FWHM", q.fwhm_px);
  add("FWHM_SCATTER", q.fwhm_scatter_px);
  add("FWHM_ERROR", q.fwhm_error_px);
  add("ELLIPTICITY", q.ellipticity);
  add("ELLIPTICITY_ERROR", q.ellipticity_error);
  add("ANGLE", q.angle_deg);
  add("BETA", q.beta);
  add("SKY", q.sky_level);
  add("NOISE", q.noise_per_px);
  add("WIDTH", m.frame.width);
  add("HEIGHT", m.frame.height);
  add("PREVIEW_BIN", m.preview_bin);
  add("SATURATED", static_cast<double>(m.saturated));
  add("SHARP", static_cast<double>(m.sharp));
  add("PARTICLES", m.searched_particles ? static_cast<double>(m.particles.size()) : -1.0);
  return table;
}

void read_quality(const fits::Table& table, pipeline::SubMeasurement& m) {
  const auto value = [&](const char* name) { return column<double>(table, name).at(0); };
  auto& q = m.quality;
  q.status = static_cast<stars::QualityStatus>(static_cast<int>(value("STATUS")));
  q.stars = static_cast<int>(value("STARS"));
  q.fitted = static_cast<int>(value("FITTED"));
  q.fwhm_px = value("FWHM");
  q.fwhm_scatter_px = value("FWHM_SCATTER");
  q.fwhm_error_px = value("FWHM_ERROR");
  q.ellipticity = value("ELLIPTICITY");
  q.ellipticity_error = value("ELLIPTICITY_ERROR");
  q.angle_deg = value("ANGLE");
  q.beta = value("BETA");
  q.sky_level = value("SKY");
  q.noise_per_px = value("NOISE");
  m.frame = {static_cast<int>(value("WIDTH")), static_cast<int>(value("HEIGHT"))};
  m.preview_bin = static_cast<int>(value("PREVIEW_BIN"));
  m.saturated = static_cast<std::int64_t>(value("SATURATED"));
  m.sharp = static_cast<std::int64_t>(value("SHARP"));
}

// Offsets of rows and columns, and how large they are before and after.
void add_lines(fits::FileWriter& writer, const sensor::LineOffsets& lines) {
  fits::Table noise;
  noise.name = "LINE_NOISE";
  const auto column = [&](const char* name, const std::vector<double>& values) {
    noise.columns.push_back({name, "adu", values});
  };
  const auto& r = lines.row_noise;
  const auto& c = lines.column_noise;
  column("BEFORE", {r.before_adu, c.before_adu});
  column("AFTER", {r.after_adu, c.after_adu});
  column("MEASURED", {r.measured ? 1.0 : 0.0, c.measured ? 1.0 : 0.0});
  column("LINES",
         {static_cast<double>(lines.rows.size()), static_cast<double>(lines.columns.size())});
  writer.add_table(noise);
  if (!lines.rows.empty()) writer.add_table({"ROW_OFFSETS", {}, {{"OFFSET", "adu", lines.rows}}});
  if (!lines.columns.empty()) {
    writer.add_table({"COLUMN_OFFSETS", {}, {{"OFFSET", "adu", lines.columns}}});
  }
}

sensor::LineOffsets read_lines(const std::filesystem::path& path) {
  sensor::LineOffsets lines;
  const auto noise = fits::read_table(path, "LINE_NOISE");
  const auto fill = [&](sensor::LineNoise& to, std::size_t row) {
    to.before_adu = column<double>(noise, "BEFORE").at(row);
    to.after_adu = column<double>(noise, "AFTER").at(row);
    to.measured = column<double>(noise, "MEASURED").at(row) != 0.0;
  };
  fill(lines.row_noise, 0);
  fill(lines.column_noise, 1);
  const auto& counts = column<double>(noise, "LINES");
  if (counts.at(0) > 0.0) {
    lines.rows = column<float>(fits::read_table(path, "ROW_OFFSETS"), "OFFSET");
  }
  if (counts.at(1) > 0.0) {
    lines.columns = column<float>(fits::read_table(path, "COLUMN_OFFSETS"), "OFFSET");
  }
  return lines;
}

void add_particles(fits::FileWriter& writer, const std::vector<stack::HitPixel>& particles) {
  std::vector<std::int32_t> x, y;
  for (const auto& p : particles) {
    x.push_back(p.x);
    y.push_back(p.y);
  }
  if (!x.empty()) writer.add_table({"PARTICLES", {}, {{"X", "pix", x}, {"Y", "pix", y}}});
}

std::vector<stack::HitPixel> read_particles(const std::filesystem::path& path, std::size_t count) {
  std::vector<stack::HitPixel> particles;
  const auto table = fits::read_table(path, "PARTICLES");
  const auto& x = column<std::int32_t>(table, "X");
  const auto& y = column<std::int32_t>(table, "Y");
  if (x.size() != count || y.size() != count) {
    throw Error(ErrorKind::input, "", "particles missing", "");
  }
  for (std::size_t k = 0; k < count; ++k) particles.push_back({x[k], y[k]});
  return particles;
}

Grid<float> read_plane(const std::filesystem::path& path, const std::string& name) {
  const auto file = fits::ImageFile::open(path, name);
  Grid<float> grid(file->size());
  file->fill(0, whole(file->size()), grid.view());
  return grid;
}

pipeline::ChannelSky read_sky(const std::filesystem::path& path, const fits::Table& layout,
                              std::size_t plane) {
  pipeline::ChannelSky sky;
  sky.step = static_cast<int>(column<double>(layout, "STEP").at(plane));
  sky.offset_x = static_cast<int>(column<double>(layout, "OFFSET_X").at(plane));
  sky.offset_y = static_cast<int>(column<double>(layout, "OFFSET_Y").at(plane));
  sky.mesh.cell_px = static_cast<int>(column<double>(layout, "CELL").at(plane));
  sky.mesh.frame = {static_cast<int>(column<double>(layout, "WIDTH").at(plane)),
                    static_cast<int>(column<double>(layout, "HEIGHT").at(plane))};
  sky.mesh.level = read_plane(path, fmt::format("LEVEL{}", plane));
  sky.mesh.noise = read_plane(path, fmt::format("NOISE{}", plane));
  return sky;
}

fits::Table sky_layout(const pipeline::SubMeasurement& m) {
  fits::Table layout;
  layout.name = "SKY";
  std::vector<double> step, x, y, cell, width, height;
  for (const auto& sky : m.sky) {
    step.push_back(sky.step);
    x.push_back(sky.offset_x);
    y.push_back(sky.offset_y);
    cell.push_back(sky.mesh.cell_px);
    width.push_back(sky.mesh.frame.width);
    height.push_back(sky.mesh.frame.height);
  }
  layout.columns = {{"STEP", "", step}, {"OFFSET_X", "", x},  {"OFFSET_Y", "", y},
                    {"CELL", "", cell}, {"WIDTH", "", width}, {"HEIGHT", "", height}};
  return layout;
}

}  // namespace

void write_measurement(const std::filesystem::path& path, const std::string& key,
                       const pipeline::SubMeasurement& m) {
  fits::FileWriter writer(path);
  Header header;
  // So that a later session that holds this folder does not take it for a frame.
  header.set(program_keyword, version(), "version of the program that wrote this");
  header.set("CFKEY", std::string_view(key), "identity of the frame, its masters and the options");
  const int preview =
      writer.add_image({"", m.preview.size(), 1, fits::SampleType::float32}, header);
  const int mask =
      writer.add_image({"PREVIEW_MASK", m.preview.size(), 1, fits::SampleType::uint8}, {});
  std::vector<int> meshes;
  for (std::size_t p = 0; p < m.sky.size(); ++p) {
    const auto& mesh = m.sky[p].mesh;
    meshes.push_back(writer.add_image(
        {fmt::format("LEVEL{}", p), mesh.level.size(), 1, fits::SampleType::float32}, {}));
    meshes.push_back(writer.add_image(
        {fmt::format("NOISE{}", p), mesh.noise.size(), 1, fits::SampleType::float32}, {}));
  }
  writer.write_rows(preview, 0, 0, m.preview.cview());
  writer.write_rows(mask, 0, 0, m.preview_mask.cview());
  for (std::size_t p = 0; p < m.sky.size(); ++p) {
    writer.write_rows(meshes[2 * p], 0, 0, m.sky[p].mesh.level.cview());
    writer.write_rows(meshes[2 * p + 1], 0, 0, m.sky[p].mesh.noise.cview());
  }
  writer.add_table(quality_table(m));
  writer.add_table(sky_layout(m));
  writer.add_table(star_table(m.stars));
  add_lines(writer, m.lines);
  add_particles(writer, m.particles);
  writer.commit();
}

std::optional<pipeline::SubMeasurement> read_measurement(const std::filesystem::path& path,
                                                         const std::string& key) {
  if (!std::filesystem::exists(path)) return std::nullopt;
  try {
    const auto file = fits::ImageFile::open(path);
    if (file->header().text("CFKEY") != key) return std::nullopt;
    pipeline::SubMeasurement m;
    m.preview = Grid<float>(file->size());
    file->fill(0, whole(file->size()), m.preview.view());
    const auto bits = read_plane(path, "PREVIEW_MASK");
    m.preview_mask = Mask(bits.size());
    for (int y = 0; y < bits.height(); ++y) {
      for (int x = 0; x < bits.width(); ++x) {
        m.preview_mask(x, y) = static_cast<std::uint8_t>(bits(x, y));
      }
    }
    const auto quality = fits::read_table(path, "QUALITY");
    read_quality(quality, m);
    const auto layout = fits::read_table(path, "SKY");
    for (std::size_t p = 0; p < layout.rows(); ++p) {
      m.sky.push_back(read_sky(path, layout, p));
    }
    m.stars = stars_of(fits::read_table(path, "STARS"));
    m.lines = read_lines(path);
    const double particles = column<double>(quality, "PARTICLES").at(0);
    m.searched_particles = particles >= 0.0;
    if (particles > 0.0) m.particles = read_particles(path, static_cast<std::size_t>(particles));
    return m;
  } catch (const Error&) {
    return std::nullopt;  // broken cache: measure again
  }
}

}  // namespace coldframe::session
