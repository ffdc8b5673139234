#include "coldframe/sky/tan_sip.hpp"

#include <fmt/format.h>

#include <cmath>
#include <cstdlib>
#include <numbers>
#include <string>

#include "coldframe/sky/sphere.hpp"

namespace coldframe::sky {
namespace {

constexpr double degree = std::numbers::pi / 180.0;

Point undistorted(const TanSip& s, Point pixel) noexcept {
  Point w{pixel.x - s.centre.x, pixel.y - s.centre.y};
  if (s.distortion) {
    const Point extra = s.distortion->evaluate(pixel);
    w.x += extra.x;
    w.y += extra.y;
  }
  return w;
}

double determinant(const TanSip& s) noexcept { return s.cd[0] * s.cd[3] - s.cd[1] * s.cd[2]; }

bool is_number(std::string_view text) noexcept {
  if (text.empty()) return false;
  for (const char c : text) {
    if (c < '0' || c > '9') return false;
  }
  return true;
}

// "STEM1_2" or "STEM1_2A" with numbers for 1 and 2.
bool is_pair(std::string_view keyword, std::string_view stem) noexcept {
  if (!keyword.starts_with(stem)) return false;
  keyword.remove_prefix(stem.size());
  if (!keyword.empty() && keyword.back() >= 'A' && keyword.back() <= 'Z') keyword.remove_suffix(1);
  const auto bar = keyword.find('_');
  return bar != std::string_view::npos && is_number(keyword.substr(0, bar)) &&
         is_number(keyword.substr(bar + 1));
}

// "STEM1" or "STEM1A".
bool is_axis(std::string_view keyword, std::string_view stem) noexcept {
  if (!keyword.starts_with(stem)) return false;
  keyword.remove_prefix(stem.size());
  if (keyword.size() > 1 && keyword.back() >= 'A' && keyword.back() <= 'Z') {
    keyword.remove_suffix(1);
  }
  return is_number(keyword);
}

// Coefficients in plain pixels, degree `least` and up.
void add_terms(Header& header, const Polynomial2& p, const char* x_name, const char* y_name,
               int least) {
  header.set(fmt::format("{}_ORDER", x_name), p.order);
  header.set(fmt::format("{}_ORDER", y_name), p.order);
  std::size_t term = 0;
  for (int total = 0; total <= p.order; ++total) {
    const double unit = std::pow(p.scale, -total);
    for (int q = 0; q <= total; ++q, ++term) {
      if (total < least) continue;
      header.set(fmt::format("{}_{}_{}", x_name, total - q, q), p.x[term] * unit);
      header.set(fmt::format("{}_{}_{}", y_name, total - q, q), p.y[term] * unit);
    }
  }
}

}  // namespace

SkyPoint TanSip::to_sky(Point pixel) const noexcept {
  const Point w = undistorted(*this, pixel);
  return from_tangent_plane({cd[0] * w.x + cd[1] * w.y, cd[2] * w.x + cd[3] * w.y}, tangent);
}

std::optional<Point> TanSip::to_pixel(SkyPoint sky) const noexcept {
  const auto standard = to_tangent_plane(sky, tangent);
  const double det = determinant(*this);
  if (!standard || det == 0.0) return std::nullopt;
  const Point w{(cd[3] * standard->x - cd[1] * standard->y) / det,
                (cd[0] * standard->y - cd[2] * standard->x) / det};
  Point pixel{centre.x + w.x, centre.y + w.y};
  if (!distortion) return pixel;
  constexpr int most_steps = 30;
  constexpr double enough = 1e-10;
  for (int step = 0; step < most_steps; ++step) {
    const LocalMap d = distortion->local(pixel);
    const double ex = pixel.x - centre.x + d.value.x - w.x;
    const double ey = pixel.y - centre.y + d.value.y - w.y;
    const double xx = 1.0 + d.jacobian[0];
    const double yy = 1.0 + d.jacobian[3];
    const double local = xx * yy - d.jacobian[1] * d.jacobian[2];
    const double dx = (yy * ex - d.jacobian[1] * ey) / local;
    const double dy = (xx * ey - d.jacobian[2] * ex) / local;
    pixel.x -= dx;
    pixel.y -= dy;
    if (!std::isfinite(pixel.x) || !std::isfinite(pixel.y)) return std::nullopt;
    if (std::fabs(dx) + std::fabs(dy) < enough) return pixel;
  }
  return std::nullopt;
}

double TanSip::arcsec_per_px() const noexcept {
  return 3600.0 * std::sqrt(std::fabs(determinant(*this)));
}

double TanSip::north_deg() const noexcept {
  // The pixel direction whose step is purely along eta.
  const double det = determinant(*this);
  return std::atan2(cd[0] / det, -cd[1] / det) / degree;
}

bool TanSip::mirrored() const noexcept { return determinant(*this) > 0.0; }

bool is_solution_card(std::string_view keyword) noexcept {
  for (const std::string_view stem : {"CD", "PC", "PV", "PS"}) {
    if (is_pair(keyword, stem)) return true;
  }
  for (const std::string_view stem : {"A_", "B_", "AP_", "BP_"}) {
    if (!keyword.starts_with(stem)) continue;
    const auto rest = keyword.substr(stem.size());
    if (rest == "ORDER" || rest == "DMAX" || is_pair(rest, "")) return true;
  }
  for (const std::string_view stem :
       {"CTYPE", "CRPIX", "CRVAL", "CDELT", "CROTA", "CUNIT", "CNAME", "CRDER", "CSYER"}) {
    if (is_axis(keyword, stem)) return true;
  }
  for (const std::string_view stem :
       {"LONPOLE", "LATPOLE", "RADESYS", "EQUINOX", "WCSAXES", "WCSNAME", "RADECSYS"}) {
    if (keyword == stem || (keyword.size() == stem.size() + 1 && keyword.starts_with(stem) &&
                            keyword.back() >= 'A' && keyword.back() <= 'Z')) {
      return true;
    }
  }
  // The photographic-plate polynomials of scanned surveys.
  return is_axis(keyword, "AMDX") || is_axis(keyword, "AMDY");
}

void write_solution(Header& header, const TanSip& s) {
  std::vector<std::string> stale;
  for (const auto& card : header.cards()) {
    if (is_solution_card(card.keyword)) stale.push_back(card.keyword);
  }
  for (const auto& keyword : stale) header.remove(keyword);
  const bool bent = s.distortion.has_value();
  header.set("CTYPE1", bent ? "RA---TAN-SIP" : "RA---TAN", "gnomonic");
  header.set("CTYPE2", bent ? "DEC--TAN-SIP" : "DEC--TAN");
  header.set("CUNIT1", "deg");
  header.set("CUNIT2", "deg");
  header.set("CRPIX1", s.centre.x + 1.0, "[pix] reference pixel, counted from 1");
  header.set("CRPIX2", s.centre.y + 1.0);
  header.set("CRVAL1", s.tangent.ra_deg, "[deg] RA of the reference pixel");
  header.set("CRVAL2", s.tangent.dec_deg, "[deg] Dec of the reference pixel");
  header.set("CD1_1", s.cd[0], "[deg/pix]");
  header.set("CD1_2", s.cd[1], "[deg/pix]");
  header.set("CD2_1", s.cd[2], "[deg/pix]");
  header.set("CD2_2", s.cd[3], "[deg/pix]");
  header.set("LONPOLE", 180.0);
  header.set("RADESYS", "ICRS");
  header.set("EQUINOX", 2000.0);
  if (bent) add_terms(header, *s.distortion, "A", "B", 2);
  if (s.inverse) add_terms(header, *s.inverse, "AP", "BP", 0);
}

}  // namespace coldframe::sky
