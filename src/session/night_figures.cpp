// What the kept subs of a result say together, and what sky, camera and time set.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "next_night_parts.hpp"

namespace coldframe::session::detail {
namespace {

template <typename Value>
std::vector<double> collect(const std::vector<const SubRecord*>& subs, const Value& value) {
  std::vector<double> values;
  for (const auto* sub : subs) {
    if (const std::optional<double> v = value(*sub)) values.push_back(*v);
  }
  return values;
}

void note_widths(NightFigures& f) {
  auto widths = collect(f.kept, [](const SubRecord& s) { return s.fwhm_px; });
  if (widths.size() < 3) return;
  double sum = 0.0, weights = 0.0;
  for (const auto* sub : f.kept) {
    if (!sub->fwhm_px) continue;
    const double weight = sub->snr_share.value_or(0.0);
    sum += weight * *sub->fwhm_px;
    weights += weight;
  }
  f.fwhm_px = weights > 0.0 ? sum / weights : median(widths);
  f.best_fwhm_px = quantile_in_place(widths, 0.1);
  const auto scales = collect(f.kept, [](const SubRecord& s) { return s.arcsec_per_px; });
  if (!scales.empty()) f.arcsec_per_px = median(scales);
}

// Photons of the sky and read noise in the variance of a pixel; only where electrons are known.
void note_noise(NightFigures& f) {
  const auto level = [](const SubRecord& s) -> std::optional<double> {
    if (!s.sky_per_s || !s.exposure_s) return std::nullopt;
    return *s.sky_per_s * *s.exposure_s;
  };
  const auto levels = collect(f.kept, level);
  if (!levels.empty()) f.sky = median(levels);
  const auto variance = [](const SubRecord& s) -> std::optional<double> {
    if (s.unit != "electron" || !s.noise_per_px || !(*s.noise_per_px > 0.0)) return std::nullopt;
    return *s.noise_per_px * *s.noise_per_px;
  };
  const auto sky = collect(f.kept, [&](const SubRecord& s) -> std::optional<double> {
    const auto v = variance(s);
    const auto l = level(s);
    if (!v || !l) return std::nullopt;
    return std::clamp(*l / *v, 0.0, 1.0);
  });
  const auto read = collect(f.kept, [&](const SubRecord& s) -> std::optional<double> {
    const auto v = variance(s);
    const auto camera = static_cast<std::size_t>(s.camera);
    if (!v || camera >= f.record->cameras.size()) return std::nullopt;
    const auto& noise = f.record->cameras[camera].read_noise_e;
    if (!noise) return std::nullopt;
    return std::clamp(*noise * *noise / *v, 0.0, 1.0);
  });
  if (!sky.empty()) f.sky_share = median(sky);
  if (!read.empty()) f.read_share = median(read);
}

// By halves: how far the result is from what independent noise would give.
void note_growth(NightFigures& f) {
  const auto& growth = f.result->growth;
  if (growth.steps.empty()) {
    f.block_noise = f.result->noise_per_px.value_or(0.0) *
                    f.result->noise_correlation.value_or(1.0) / pipeline::depth_block_px;
    return;
  }
  f.block_noise = growth.steps.back().noise;
  const double beyond = growth.slope + 0.5;
  constexpr double least = 0.05, certain = 4.0;
  if (beyond < least || beyond < certain * growth.slope_error) return;
  const double subs =
      static_cast<double>(growth.steps.back().subs) / std::max(growth.steps.front().subs, 1);
  f.common_loss = 1.0 - std::pow(std::max(subs, 1.0), -2.0 * beyond);
}

NightLimit limit(const char* code, std::string message, double loss) {
  NightLimit l;
  l.code = code;
  l.message = std::move(message);
  l.snr_loss = loss;
  return l;
}

}  // namespace

double snr_loss_of(double squared_loss) {
  return 1.0 - std::sqrt(std::clamp(1.0 - squared_loss, 0.0, 1.0));
}

double gain_of(double snr_loss) {
  constexpr double most = 0.99;
  return -2.5 * std::log10(1.0 - std::clamp(snr_loss, 0.0, most));
}

NightFigures figures_of_night(const SessionRecord& record, int result) {
  NightFigures f;
  f.record = &record;
  f.index = result;
  f.result = &record.results[static_cast<std::size_t>(result)];
  for (const auto& sub : record.subs) {
    if (sub.result != result) continue;
    f.all.push_back(&sub);
    if (sub.kept) f.kept.push_back(&sub);
  }
  note_widths(f);
  note_noise(f);
  note_growth(f);
  return f;
}

void add_budget(const NightFigures& f, std::vector<NightLimit>& limits) {
  constexpr double least_share = 0.05;
  if (f.sky_share > least_share) {
    limits.push_back(limit(
        "sky",
        fmt::format("the sky's own photons make {:.0f}% of a sub's variance", 100.0 * f.sky_share),
        snr_loss_of(f.sky_share)));
  }
  if (f.read_share > least_share) {
    limits.push_back(limit("read-noise",
                           fmt::format("read noise makes {:.0f}% of it", 100.0 * f.read_share),
                           snr_loss_of(f.read_share)));
  }
  constexpr double least_growth = 0.05;
  if (f.fwhm_px > (1.0 + least_growth) * f.best_fwhm_px && f.best_fwhm_px > 0.0) {
    const double wider = f.fwhm_px - f.best_fwhm_px;
    auto seeing =
        limit("seeing",
              fmt::format("stars are {:.2f} px wide, in the best tenth of the subs {:.2f}",
                          f.fwhm_px, f.best_fwhm_px),
              1.0 - f.best_fwhm_px / f.fwhm_px);
    seeing.width_px = wider;
    if (f.arcsec_per_px) seeing.width_arcsec = wider * *f.arcsec_per_px;
    limits.push_back(std::move(seeing));
  }
  if (f.common_loss > 0.0) {
    limits.push_back(limit(
        "common-noise",
        fmt::format("the noise falls with the number of subs to the power {:.2f} only: part of it "
                    "is common to all",
                    f.result->growth.slope),
        snr_loss_of(f.common_loss)));
  }
  constexpr int few = 8;
  if (f.result->subs_kept > 0 && f.result->subs_kept < few) {
    NightLimit l;
    l.code = "few-subs";
    l.message = fmt::format("only {} {} combined", f.result->subs_kept,
                            f.result->subs_kept == 1 ? "sub was" : "subs were");
    limits.push_back(std::move(l));
  }
}

}  // namespace coldframe::session::detail
