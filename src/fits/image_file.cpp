#include "coldframe/fits/image_file.hpp"

#include <fmt/format.h>

#include <utility>

#include "fits/cards.hpp"
#include "fits/compressed.hpp"
#include "fits/image_data.hpp"
#include "fits/scan.hpp"

namespace coldframe::fits {

using namespace detail;  // NOLINT(google-build-using-namespace): the module's own inner parts

struct ImageFile::State {
  std::filesystem::path path;
  Size size;
  int planes = 1;
  Header header;
  FrameInfo info;
  SampleFormat format;
  bool cheap = true;
  std::unique_ptr<ImageData> data;
};

namespace {

constexpr std::int64_t longest_side = 100'000;
constexpr std::int64_t most_pixels = std::int64_t{1} << 31U;

/// Size and planes of an image this library can work on, or the reason why not.
std::pair<Size, int> accepted_shape(const Unit& unit, const std::filesystem::path& path) {
  std::vector<std::int64_t> axes = unit.summary.axes;
  while (axes.size() > 2 && axes.back() == 1) axes.pop_back();
  if (axes.size() == 1) {
    throw input_error(path, "its image has one axis only, not two", "name a picture");
  }
  if (axes.size() > 3) {
    throw input_error(path, fmt::format("its image has {} axes", axes.size()),
                      "split it into pictures of two axes");
  }
  const std::int64_t planes = axes.size() == 3 ? axes[2] : 1;
  if (planes != 1 && planes != 3) {
    throw input_error(path, fmt::format("its image has {} planes, not 1 or 3", planes),
                      "split it into pictures of two axes");
  }
  if (axes[0] > longest_side || axes[1] > longest_side || axes[0] * axes[1] > most_pixels) {
    throw input_error(path,
                      fmt::format("its image of {} x {} pixels is too large", axes[0], axes[1]),
                      "cut it into parts of at most 100000 pixels a side");
  }
  return {Size{static_cast<int>(axes[0]), static_cast<int>(axes[1])}, static_cast<int>(planes)};
}

/// Cards of the primary that an extension takes over: those it has not itself.
/// (Observatories keep common facts there; INHERIT = F forbids it.)
void inherit(const Header& primary, Header& header) {
  if (!header.logical("INHERIT").value_or(true)) return;
  for (const Card& card : primary.cards()) {
    const bool wanted = card.type != Card::Type::commentary && !is_structural(card.keyword) &&
                        card.keyword != "EXTNAME";
    if (wanted && header.find(card.keyword) == nullptr) header.add(card);
  }
}

struct FoundImage {
  Unit unit;
  Header primary;  ///< empty when the image is the primary itself
};

FoundImage find_image(const std::filesystem::path& path, ByteSource& bytes,
                      const std::string& extension) {
  UnitScanner scanner(path, bytes);
  FoundImage found;
  while (auto unit = scanner.next()) {
    const bool named = !extension.empty() && same_name(unit->summary.name, extension);
    if (named && !holds_image(*unit)) {
      throw input_error(path, fmt::format("extension {} holds no image", extension),
                        "name an image extension");
    }
    if (named || (extension.empty() && holds_image(*unit))) {
      found.unit = std::move(*unit);
      return found;
    }
    if (unit->summary.number == 0) found.primary = std::move(unit->cards);
  }
  if (!extension.empty()) {
    throw input_error(path, fmt::format("it has no extension named {}", extension),
                      "name one that it has");
  }
  throw input_error(path, "it holds no image", "name a FITS image");
}

std::unique_ptr<ImageData> open_tiles(const std::filesystem::path& path, const Unit& unit,
                                      Size size, TileShape tile,
                                      std::unique_ptr<ByteSource> bytes) {
  CompressedLayout layout{path, size, static_cast<int>(unit.summary.axes.size()),
                          static_cast<int>(tile.height)};
  const bool inflated = bytes->gzipped();
  CfitsioHandle handle =
      inflated ? CfitsioHandle::open_memory(path, bytes->take()) : CfitsioHandle::open_disk(path);
  handle.move_to(unit.summary.number);
  if (inflated) bytes.reset();
  return compressed_data(std::move(handle), std::move(bytes), std::move(layout),
                         TileGuard(unit, tile));
}

}  // namespace

ImageFile::ImageFile(std::unique_ptr<State> state) : state_(std::move(state)) {}
ImageFile::~ImageFile() = default;

std::unique_ptr<ImageFile> ImageFile::open(const std::filesystem::path& path,
                                           const std::string& extension) {
  auto bytes = open_bytes(path);
  FoundImage found = find_image(path, *bytes, extension);
  const Unit& unit = found.unit;
  auto state = std::make_unique<State>();
  state->path = path;
  std::tie(state->size, state->planes) = accepted_shape(unit, path);
  state->header = unit.summary.compressed ? uncompressed_header(unit) : unit.cards;
  inherit(found.primary, state->header);
  state->format = sample_format(unit.cards, unit.summary.bitpix, path);
  state->cheap = !bytes->gzipped();
  TileShape tile;
  if (unit.summary.compressed) {
    tile = check_tiles(unit, path);
    state->cheap = state->cheap && tile.height == 1;
  }
  require_data(unit, *bytes, path);
  bytes->check_rest();
  state->data = unit.summary.compressed
                    ? open_tiles(path, unit, state->size, tile, std::move(bytes))
                    : plain_data(std::move(bytes), unit.data_offset, state->size, state->format);
  state->info =
      interpret_header(state->header, state->size, state->planes, path.filename().string());
  return std::unique_ptr<ImageFile>(
      new ImageFile(std::move(state)));  // NOLINT: private constructor
}

Size ImageFile::size() const noexcept { return state_->size; }
int ImageFile::planes() const noexcept { return state_->planes; }
const std::filesystem::path& ImageFile::path() const noexcept { return state_->path; }
const Header& ImageFile::header() const noexcept { return state_->header; }
const FrameInfo& ImageFile::info() const noexcept { return state_->info; }
bool ImageFile::cheap_regions() const noexcept { return state_->cheap; }
bool ImageFile::has_codes16() const noexcept { return state_->format.codes16(); }
std::size_t ImageFile::resident_bytes() const noexcept { return state_->data->resident_bytes(); }

void ImageFile::fill(int plane, const Rect& rect, PlaneView<float> values) const {
  if (plane < 0 || plane >= planes() || !whole(size()).contains(rect) ||
      values.size() != rect.size()) {
    throw Error(ErrorKind::usage, path().string(), "pixels outside the image were asked for", "");
  }
  if (!rect.empty()) state_->data->fill(plane, rect, values);
}

std::vector<HduSummary> list_hdus(const std::filesystem::path& path) {
  const auto bytes = open_bytes(path);
  UnitScanner scanner(path, *bytes);
  std::vector<HduSummary> units;
  while (auto unit = scanner.next()) {
    require_data(*unit, *bytes, path);
    units.push_back(std::move(unit->summary));
  }
  return units;
}

Header read_header(const std::filesystem::path& path, int hdu) {
  const auto bytes = open_bytes(path);
  UnitScanner scanner(path, *bytes);
  while (auto unit = scanner.next()) {
    if (unit->summary.number == hdu) return std::move(unit->cards);
  }
  throw input_error(path, fmt::format("it has no unit number {}", hdu), "name one that it has");
}

}  // namespace coldframe::fits
