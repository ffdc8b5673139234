#include "coldframe/session/compare.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

constexpr double unknown = std::numeric_limits<double>::quiet_NaN();
constexpr double bright_snr = 30.0;  // stars whose light is compared
constexpr double faint_snr = 60.0;   // stars whose noise is the sky's more than their own
constexpr int least_common = 8;
// A result's scale hangs on its reference sub's; that is known to about this (share).
constexpr double least_light_error = 0.005;

struct Estimate {
  double value = unknown;
  double error = 0.0;  // one sigma
};

// Median with the error that the values' own scatter gives it.
Estimate middle(const std::vector<double>& values) {
  if (values.empty()) return {};
  const double n = static_cast<double>(values.size());
  Estimate e{median(values), 0.0};
  if (values.size() > 2) e.error = 1.2533 * robust_sigma(values) / std::sqrt(n);
  return e;
}

double relative(const Estimate& e) { return e.value != 0.0 ? e.error / std::fabs(e.value) : 0.0; }

struct Common {
  std::vector<double> light;     ///< flux b over a, per star
  std::vector<double> variance;  ///< noise variance per second b over a, faint stars
};

Common common_stars(const Comparison& c) {
  Common common;
  const double time = c.b.exposure_s / c.a.exposure_s;
  for (const auto& [i, j] : c.match.pairs) {
    const auto& b = c.b.stars[i];
    const auto& a = c.a.stars[j];
    if (a.kind == StarClass::saturated || b.kind == StarClass::saturated) continue;
    if (!(a.flux > 0.0) || !(b.flux > 0.0)) continue;
    if (a.snr > bright_snr && b.snr > bright_snr) common.light.push_back(b.flux / a.flux);
    if (a.snr < faint_snr && b.snr < faint_snr && a.flux_error > 0.0 && b.flux_error > 0.0) {
      const double ratio = b.flux_error / a.flux_error;
      common.variance.push_back(ratio * ratio * time);
    }
  }
  return common;
}

class Comparer {
 public:
  explicit Comparer(Comparison& c) : c_(c), common_(common_stars(c)) {}

  void compare() {
    light_ = middle(common_.light);
    light_.error = std::hypot(light_.error, least_light_error * light_.value);
    if (common_.light.size() < static_cast<std::size_t>(least_common)) {
      c_.notes.push_back(fmt::format("only {} bright stars in common: light is compared roughly",
                                     common_.light.size()));
    }
    scales();
    widths();
    add("light", "light of the same stars", c_.a.unit + "/s, b per a", {1.0, 0.0}, light_, true);
    skies();
    elongations();
    star_speed();
    surface_speed();
    prices();
    c_.notes.push_back(
        "errors come from the scatter within each session: another night with the same set-up may "
        "differ by more, so compare several before buying or selling");
    c_.verdict = verdict();
  }

 private:
  // Ratio with relative errors added in squares; `b` may already be the ratio itself.
  void add(const char* code, const char* name, const std::string& unit, Estimate a, Estimate b,
           bool ratio_only = false) {
    if (!std::isfinite(a.value) || !std::isfinite(b.value) || a.value == 0.0) return;
    Compared f;
    f.code = code;
    f.name = name;
    f.unit = unit;
    f.a = ratio_only ? unknown : a.value;
    f.b = ratio_only ? unknown : b.value;
    f.ratio = b.value / a.value;
    f.error = std::fabs(f.ratio) * std::hypot(relative(a), relative(b));
    f.shown = std::fabs(f.ratio - 1.0) > shown_from_sigma * f.error;
    c_.figures.push_back(f);
  }

  [[nodiscard]] double scale_a() const { return c_.a.arcsec_per_px.value_or(1.0); }
  [[nodiscard]] double scale_b() const { return scale_a() * c_.scale_ratio; }
  [[nodiscard]] std::string length_unit() const {
    return c_.a.arcsec_per_px ? "arcsec" : "pixels of a";
  }

  void scales() {
    // The match itself is the measurement; its error is below one part in ten thousand.
    const double error = 1e-4;
    add("scale", "scale of a result pixel", length_unit(), {scale_a(), 0.0},
        {scale_b(), error * scale_b()});
    if (c_.a.arcsec_per_px && c_.b.arcsec_per_px) {
      const double told = *c_.b.arcsec_per_px / *c_.a.arcsec_per_px;
      if (std::fabs(told / c_.scale_ratio - 1.0) > 0.02) {
        c_.notes.push_back(
            fmt::format("the headers' scales have the ratio {:.3f}, the stars say {:.3f}: a focal "
                        "length or pixel "
                        "size is wrong; the stars' ratio is used",
                        told, c_.scale_ratio));
      }
    }
  }

  void widths() {
    const auto of = [](const Setup& s, double scale) {
      auto e = middle(s.sub_fwhm_px);
      const double unit = scale * s.sub_scale;
      return Estimate{e.value * unit, e.error * unit};
    };
    add("width", "star width (FWHM) of the subs", length_unit(), of(c_.a, scale_a()),
        of(c_.b, scale_b()));
  }

  // Per square arcsecond and by the light of the same stars: what the sky is, not the telescope.
  void skies() {
    const auto of = [](const Setup& s, double scale) {
      auto e = middle(s.sub_sky_per_s);
      const double area = scale * s.sub_scale * scale * s.sub_scale;
      return Estimate{e.value / area, e.error / area};
    };
    const auto a = of(c_.a, scale_a());
    auto b = of(c_.b, scale_b());
    if (!std::isfinite(light_.value)) return;
    b.error = std::hypot(relative(b), relative(light_)) * b.value / light_.value;
    b.value /= light_.value;
    add("sky", "brightness of the sky", "b per a, for the same star's light", {1.0, relative(a)},
        {b.value / a.value, b.error / a.value}, true);
  }

  void elongations() {
    add("elongation", "elongation of the stars", "1 - minor/major", middle(c_.a.sub_ellipticity),
        middle(c_.b.sub_ellipticity));
  }

  void star_speed() {
    const auto variance = middle(common_.variance);
    if (!std::isfinite(light_.value) || !std::isfinite(variance.value)) return;
    Estimate speed{light_.value * light_.value / variance.value, 0.0};
    speed.error = speed.value * std::hypot(2.0 * relative(light_), relative(variance));
    add("star-speed", "speed for faint stars", "b per a", {1.0, 0.0}, speed, true);
  }

  void surface_speed() {
    if (!std::isfinite(light_.value)) return;
    const auto variance = [](const Setup& s, double scale) {
      const double sigma = s.noise_per_s * s.noise_correlation / scale;
      return sigma * sigma * s.exposure_s;
    };
    const double ratio = variance(c_.b, scale_b()) / variance(c_.a, scale_a());
    Estimate speed{light_.value * light_.value / ratio, 0.0};
    // The noise of a result is known to a per cent or two (its own error model).
    speed.error = speed.value * std::hypot(2.0 * relative(light_), 0.02);
    add("surface-speed", "speed for faint surfaces", "b per a, per sq. arcsec", {1.0, 0.0}, speed,
        true);
  }

  void prices() {
    if (!c_.a.price || !c_.b.price) return;
    for (const char* of : {"star-speed", "surface-speed"}) {
      const auto found = std::find_if(c_.figures.begin(), c_.figures.end(),
                                      [&](const Compared& f) { return f.code == of; });
      if (found == c_.figures.end()) continue;
      c_.notes.push_back(fmt::format("{} per price: b gives {:.2f} of a", found->name,
                                     found->ratio * *c_.a.price / *c_.b.price));
    }
  }

  [[nodiscard]] std::vector<std::string> verdict() {
    std::vector<std::string> lines;
    for (auto& f : c_.figures) {
      if (f.code == "scale") continue;
      f.words = f.shown ? fmt::format("{}: b has {:.4g} +- {:.2g} of a's", f.name, f.ratio, f.error)
                        : fmt::format("{}: no difference shown ({:.4g} +- {:.2g})", f.name, f.ratio,
                                      f.error);
      if (f.shown && f.code.find("speed") != std::string::npos) {
        f.words +=
            f.ratio > 1.0
                ? fmt::format("; b needs {:.2f} of a's hours for the same depth", 1.0 / f.ratio)
                : fmt::format("; a needs {:.2f} of b's hours for the same depth", f.ratio);
      }
      lines.push_back(f.words);
    }
    return lines;
  }

  Comparison& c_;
  Common common_;
  Estimate light_;
};

StarList usable(const StarList& stars) {
  StarList list = stars;
  std::stable_sort(list.begin(), list.end(),
                   [](const Star& a, const Star& b) { return a.flux > b.flux; });
  return list;
}

}  // namespace

Comparison compare_setups(Setup a, Setup b) {
  Comparison c;
  c.a = std::move(a);
  c.b = std::move(b);
  c.a.stars = usable(c.a.stars);
  c.b.stars = usable(c.b.stars);
  if (c.a.unit != c.b.unit) {
    c.notes.push_back(
        "one is in electrons, the other in ADU: 'light' compares numbers, not photons");
  }
  if (c.a.filter != c.b.filter) {
    c.notes.push_back(fmt::format("filters differ ({} and {}): light and sky differ by that too",
                                  c.a.filter, c.b.filter));
  }
  c.match = align::match_stars(c.b.stars, c.a.stars, {});
  if (c.match.status != align::MatchStatus::matched) {
    throw Error(ErrorKind::not_enough_data, c.b.result.string(),
                fmt::format("does not show the same stars as {} ({})", c.a.result.string(),
                            align::to_string(c.match.status)),
                "compare results of one target with at least a few dozen stars in common");
  }
  c.common_stars = static_cast<int>(c.match.pairs.size());
  const auto j = c.match.transform.jacobian(
      c.b.stars.empty() ? Point{} : Point{c.b.stars.front().x, c.b.stars.front().y});
  c.scale_ratio = std::sqrt(std::fabs(j[0] * j[3] - j[1] * j[2]));
  Comparer(c).compare();
  return c;
}

}  // namespace coldframe::session
