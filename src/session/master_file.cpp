#include "master_file.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/version.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "frame_access.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

/// Notes among the HISTORY of the raw frames: "master note (code) text", and "master note + more
/// text" for what does not fit one card.
constexpr std::string_view note_mark = "master note ";
constexpr std::size_t note_card = 70;

void write_note(const sensor::MasterNote& note, Header& header) {
  std::string rest = fmt::format("({}) {}", note.code, note.text);
  while (!rest.empty()) {
    std::size_t end = rest.size();
    if (end > note_card - note_mark.size()) {
      end = rest.rfind(' ', note_card - note_mark.size());
      if (end == std::string::npos || end < 3) end = note_card - note_mark.size();
    }
    header.history(std::string(note_mark) + rest.substr(0, end));
    const auto next = rest.find_first_not_of(' ', end);
    rest = next == std::string::npos ? std::string() : "+ " + rest.substr(next);
  }
}

void read_note(const std::string& history, sensor::Master& master) {
  if (!history.starts_with(note_mark)) return;
  const std::string text = history.substr(note_mark.size());
  if (text.starts_with("+ ") && !master.notes.empty()) {
    master.notes.back().text += text.substr(1);
    return;
  }
  const auto end = text.find(") ");
  if (!text.starts_with('(') || end == std::string::npos) return;
  master.notes.push_back({text.substr(1, end - 1), text.substr(end + 2)});
}

const char* kind_text(sensor::MasterKind kind) noexcept {
  switch (kind) {
    case sensor::MasterKind::bias:
      return "Master Bias";
    case sensor::MasterKind::dark:
      return "Master Dark";
    case sensor::MasterKind::flat:
      return "Master Flat";
  }
  return "";
}

Header master_header(const sensor::Master& master, sensor::MasterKind kind, const Header& frame,
                     const std::string& key) {
  Header header = frame;
  header.set("IMAGETYP", kind_text(kind));
  header.set("BUNIT", kind == sensor::MasterKind::flat ? "" : "adu");
  header.set(program_keyword, version(), "version of the program that wrote this");
  header.set("NCOMBINE", master.frames, "frames combined");
  header.set("CFKEY", std::string_view(key), "identity of inputs and options");
  header.set("CFLEVEL", master.level_adu, "[adu] median level before normalising");
  header.set("CFNOISE", master.noise_adu, "median standard error of a pixel");
  header.set("CFFNOISE", master.frame_noise_adu, "[adu] noise of a pixel of one frame");
  for (const auto& note : master.notes) write_note(note, header);
  return header;
}

void fill_plane(const fits::ImageFile& file, PlaneView<float> out) {
  for_strips(file.size(), [&](const Rect& band) { file.fill(0, band, out.crop(band)); });
}

bool has_extension(const std::filesystem::path& path, const std::string& name) {
  for (const auto& hdu : fits::list_hdus(path)) {
    if (hdu.name == name) return true;
  }
  return false;
}

void read_variance(const std::filesystem::path& path, sensor::Master& master) {
  master.variance = Grid<float>(master.value.size());
  if (!has_extension(path, "UNCERT")) return;
  const auto file = fits::ImageFile::open(path, "UNCERT");
  if (file->size() != master.value.size()) return;
  fill_plane(*file, master.variance.view());
  for (int y = 0; y < master.variance.height(); ++y) {
    for (float& v : master.variance.row(y)) v = v * v;
  }
}

void read_mask(const std::filesystem::path& path, sensor::Master& master) {
  master.mask = Mask(master.value.size());
  if (has_extension(path, "MASK")) {
    const auto file = fits::ImageFile::open(path, "MASK");
    if (file->size() != master.mask.size()) return;
    Grid<float> bits(file->size().width, std::min(strip_rows, file->size().height));
    for_strips(file->size(), [&](const Rect& band) {
      file->fill(0, band, bits.view().crop({0, 0, band.width(), band.height()}));
      for (int y = 0; y < band.height(); ++y) {
        const auto from = bits.row(y);
        const auto to = master.mask.row(band.y0 + y);
        for (std::size_t x = 0; x < to.size(); ++x) to[x] = static_cast<std::uint8_t>(from[x]);
      }
    });
  }
}

sensor::Master read_pixels(const std::filesystem::path& path, const fits::ImageFile& file) {
  if (file.planes() != 1) {
    throw Error(ErrorKind::input, path.string(), "has three planes; a master has one",
                "give a master made from raw frames");
  }
  sensor::Master master;
  master.value = Grid<float>(file.size());
  fill_plane(file, master.value.view());
  const auto& header = file.header();
  master.frames = static_cast<int>(header.integer("NCOMBINE").value_or(1));
  master.level_adu = header.real("CFLEVEL").value_or(0.0);
  master.noise_adu = header.real("CFNOISE").value_or(0.0);
  master.frame_noise_adu = header.real("CFFNOISE").value_or(0.0);
  for (const auto& card : header.cards()) {
    if (card.keyword == "HISTORY") read_note(card.value, master);
  }
  read_mask(path, master);
  return master;
}

}  // namespace

std::unique_ptr<fits::ImageFile> open_uncertainty(const std::filesystem::path& path) {
  if (!has_extension(path, "UNCERT")) return nullptr;
  return fits::ImageFile::open(path, "UNCERT");
}

void write_master(const std::filesystem::path& path, const sensor::Master& master,
                  sensor::MasterKind kind, const Header& frame, const std::string& key) {
  const Size size = master.value.size();
  fits::FileWriter writer(path);
  const int value = writer.add_image({"", size, 1, fits::SampleType::float32},
                                     master_header(master, kind, frame, key));
  Header uncert;
  uncert.set("UTYPE", "StdDevUncertainty");
  const int error = writer.add_image({"UNCERT", size, 1, fits::SampleType::float32}, uncert);
  const int mask = writer.add_image({"MASK", size, 1, fits::SampleType::uint8}, {});
  for_strips(size, [&](const Rect& band) {
    const int y = band.y0;
    writer.write_rows(value, 0, y, master.value.cview().crop(band));
    Grid<float> sd(band.size());
    for (int j = 0; j < band.height(); ++j) {
      for (int x = 0; x < band.width(); ++x) sd(x, j) = std::sqrt(master.variance(x, y + j));
    }
    writer.write_rows(error, 0, y, sd.cview());
    writer.write_rows(mask, 0, y, master.mask.cview().crop(band));
  });
  writer.commit();
}

std::optional<sensor::Master> read_master(const std::filesystem::path& path,
                                          const std::string& key) {
  if (!key.empty() && !std::filesystem::exists(path)) return std::nullopt;
  const auto file = fits::ImageFile::open(path);
  const auto stored_key = file->header().text("CFKEY");
  if (!key.empty() && stored_key != key) return std::nullopt;
  auto master = read_pixels(path, *file);
  read_variance(path, master);
  return master;
}

sensor::Master read_master_without_variance(const std::filesystem::path& path) {
  return read_pixels(path, *fits::ImageFile::open(path));
}

}  // namespace coldframe::session
