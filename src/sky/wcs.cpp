#include "coldframe/sky/wcs.hpp"

#include <wcslib/wcs.h>
#include <wcslib/wcsfix.h>
#include <wcslib/wcshdr.h>
#include <wcslib/wcsmath.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <mutex>
#include <numbers>
#include <string>
#include <string_view>

#include "coldframe/core/units.hpp"

namespace coldframe::sky {
namespace {

// WCSLIB's header parser keeps its state in static variables.
std::mutex& parser_mutex() {
  static std::mutex mutex;
  return mutex;
}

/// Owns what wcspih hands out.
struct WcsList {
  int count = 0;
  wcsprm* list = nullptr;
  WcsList() = default;
  WcsList(const WcsList&) = delete;
  WcsList& operator=(const WcsList&) = delete;
  ~WcsList() {
    if (list != nullptr) wcsvfree(&count, &list);
  }
};

/// Owns one solution.
struct Wcs {
  wcsprm prm;
  Wcs() : prm() {
    prm.flag = -1;
    wcsinit(0, 2, &prm, 0, 0, 0);
  }
  Wcs(const Wcs&) = delete;
  Wcs& operator=(const Wcs&) = delete;
  ~Wcs() { wcsfree(&prm); }
};

/// Text or number as a card of 80 characters; empty when it does not fit on one (no WCS card needs
/// more).
std::string card_image(const Card& card) {
  if (card.keyword.empty() || card.keyword.size() > 8) return "";
  std::string value;
  switch (card.type) {
    case Card::Type::text:
      value = "'";
      for (const char c : card.value) value += c == '\'' ? std::string("''") : std::string(1, c);
      while (value.size() < 9) value += ' ';
      value += '\'';
      break;
    case Card::Type::integer:
    case Card::Type::real:
    case Card::Type::logical:
      value = card.value;
      break;
    default:
      return "";
  }
  std::string image = card.keyword;
  image.resize(8, ' ');
  image += "= " + value;
  if (image.size() > 80) return "";
  image.resize(80, ' ');
  return image;
}

std::string header_image(const Header& header, int& cards) {
  std::string image;
  cards = 0;
  for (const auto& card : header.cards()) {
    // These describe the storage of the image and would be taken for axes of their own.
    if (card.keyword.starts_with("NAXIS") || card.keyword == "SIMPLE" || card.keyword == "XTENSION")
      continue;
    const auto text = card_image(card);
    if (text.empty()) continue;
    image += text;
    ++cards;
  }
  std::string end = "END";
  end.resize(80, ' ');
  ++cards;
  return image + end;
}

bool is_equatorial_2000(const wcsprm& wcs) {
  if (wcs.lng < 0 || wcs.lat < 0) return false;
  if (std::string_view(wcs.lngtyp) != "RA" || std::string_view(wcs.lattyp) != "DEC") return false;
  const std::string_view system(wcs.radesys);
  if (system.starts_with("FK4")) return false;
  // UNDEFINED is a huge value; FITS then means ICRS or 2000.
  return undefined(wcs.equinox) || std::abs(wcs.equinox - 2000.0) < 1e-3 || system == "ICRS";
}

/// Two independent pixel axes on the sky. WCSLIB lets nearly singular matrices pass.
bool is_regular(const wcsprm& wcs) {
  const double* pc = wcs.lin.pc;
  const double* scale = wcs.lin.cdelt;
  const double product =
      std::abs(pc[0] * pc[3] * scale[0] * scale[1]) + std::abs(pc[1] * pc[2] * scale[0] * scale[1]);
  const double determinant = std::abs((pc[0] * pc[3] - pc[1] * pc[2]) * scale[0] * scale[1]);
  return std::isfinite(determinant) && determinant > 1e-10 * product;
}

class WcslibProjection final : public SkyProjection {
 public:
  /// The first two axes of `from`, ready for use; null when they are not celestial.
  static std::unique_ptr<WcslibProjection> make(const wcsprm& from) {
    auto made = std::unique_ptr<WcslibProjection>(new WcslibProjection);
    std::array<int, 16> axes{};
    if (from.naxis < 2 || from.naxis > static_cast<int>(axes.size())) return nullptr;
    int count = 1;
    axes[0] = WCSSUB_CELESTIAL;
    if (wcssub(1, &from, &count, axes.data(), &made->wcs_.prm) != 0) return nullptr;
    if (count != 2 || axes[0] != 1 || axes[1] != 2) return nullptr;
    std::array<int, NWCSFIX> fixes{};
    static_cast<void>(wcsfix(0, nullptr, &made->wcs_.prm, fixes.data()));
    if (wcsset(&made->wcs_.prm) != 0) return nullptr;
    if (!is_equatorial_2000(made->wcs_.prm) || !is_regular(made->wcs_.prm)) return nullptr;
    return made;
  }

  [[nodiscard]] std::optional<SkyPoint> to_sky(Point pixel) const override {
    if (!std::isfinite(pixel.x) || !std::isfinite(pixel.y)) return std::nullopt;
    const std::scoped_lock lock(mutex_);
    return sky_of({pixel.x + 1.0, pixel.y + 1.0});
  }

  [[nodiscard]] std::optional<Point> to_pixel(SkyPoint sky) const override {
    if (!std::isfinite(sky.ra_deg) || !std::isfinite(sky.dec_deg)) return std::nullopt;
    std::array<double, 2> world{};
    std::array<double, 2> image{};
    std::array<double, 2> pixel{};
    double phi = 0.0;
    double theta = 0.0;
    int status = 0;
    const std::scoped_lock lock(mutex_);
    world[static_cast<std::size_t>(wcs_.prm.lng)] = sky.ra_deg;
    world[static_cast<std::size_t>(wcs_.prm.lat)] = sky.dec_deg;
    if (wcss2p(&wcs_.prm, 1, 2, world.data(), &phi, &theta, image.data(), pixel.data(), &status) !=
        0) {
      return std::nullopt;
    }
    if (!std::isfinite(pixel[0]) || !std::isfinite(pixel[1])) return std::nullopt;
    return Point{pixel[0] - 1.0, pixel[1] - 1.0};
  }

 private:
  WcslibProjection() = default;

  [[nodiscard]] std::optional<SkyPoint> sky_of(const std::array<double, 2>& pixel) const {
    std::array<double, 2> world{};
    std::array<double, 2> image{};
    double phi = 0.0;
    double theta = 0.0;
    int status = 0;
    if (wcsp2s(&wcs_.prm, 1, 2, pixel.data(), image.data(), &phi, &theta, world.data(), &status) !=
        0) {
      return std::nullopt;
    }
    SkyPoint sky{world[static_cast<std::size_t>(wcs_.prm.lng)],
                 world[static_cast<std::size_t>(wcs_.prm.lat)]};
    sky.ra_deg = std::fmod(sky.ra_deg, 360.0);
    if (sky.ra_deg < 0.0) sky.ra_deg += 360.0;
    return sky;
  }

  // WCSLIB's calls take a non-const structure and keep scratch space in it.
  mutable Wcs wcs_;
  mutable std::mutex mutex_;
};

std::array<double, 3> direction(const SkyPoint& sky) {
  const double ra = sky.ra_deg * std::numbers::pi / 180.0;
  const double dec = sky.dec_deg * std::numbers::pi / 180.0;
  return {std::cos(dec) * std::cos(ra), std::cos(dec) * std::sin(ra), std::sin(dec)};
}

}  // namespace

std::unique_ptr<SkyProjection> projection_from_header(const Header& header) {
  if (!header.text("CTYPE1") || !header.text("CTYPE2")) return nullptr;
  int cards = 0;
  std::string image = header_image(header, cards);
  const std::scoped_lock lock(parser_mutex());
  WcsList found;
  int rejected = 0;
  if (wcspih(image.data(), cards, WCSHDR_all, 0, &rejected, &found.count, &found.list) != 0)
    return nullptr;
  // Alternates (A..Z) come after the primary description; only that one is the image's own.
  if (found.count < 1) return nullptr;
  return WcslibProjection::make(found.list[0]);
}

std::optional<double> arcsec_per_px(const SkyProjection& projection, Point pixel) {
  std::array<std::array<double, 3>, 2> step{};
  for (std::size_t axis = 0; axis < 2; ++axis) {
    const double dx = axis == 0 ? 0.5 : 0.0;
    const double dy = axis == 0 ? 0.0 : 0.5;
    const auto before = projection.to_sky({pixel.x - dx, pixel.y - dy});
    const auto after = projection.to_sky({pixel.x + dx, pixel.y + dy});
    if (!before || !after) return std::nullopt;
    const auto a = direction(*before);
    const auto b = direction(*after);
    for (std::size_t k = 0; k < 3; ++k) step[axis][k] = b[k] - a[k];
  }
  const auto& u = step[0];
  const auto& v = step[1];
  const double area =
      std::hypot(u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]);
  if (!(area > 0.0)) return std::nullopt;
  return arcsec_per_radian * std::sqrt(area);
}

}  // namespace coldframe::sky
