#include "camera_notes.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace coldframe::session {
namespace {

constexpr double gain_disagreement = 0.10;
constexpr double sure = 5.0;  // errors
constexpr double correlated_share = 0.03;
constexpr double cut_share = 0.001;

void note_gain(CameraMeasurement& m) {
  if (!m.fit.usable) {
    std::string why =
        m.fit.note.empty() ? "no pair of flats and no pair of dark frames" : m.fit.note;
    if (m.pairs.empty()) {
      why = m.dark_source.empty() ? "no two bias frames (or short darks) that could be used"
                                  : "no two flats of equal exposure that could be used";
    }
    m.notes.push_back("the gain could not be measured: " + why);
    return;
  }
  if (m.header_gain_e_per_adu && *m.header_gain_e_per_adu > 0.0) {
    const double ratio = m.fit.gain_e_per_adu / *m.header_gain_e_per_adu;
    const double off = std::abs(m.fit.gain_e_per_adu - *m.header_gain_e_per_adu);
    if (std::abs(ratio - 1.0) > gain_disagreement && off > 3.0 * m.fit.gain_error) {
      m.notes.push_back(fmt::format(
          "the headers' EGAIN of {:.4g} e/ADU is not what the noise says ({:.4g} +- {:.2g}, "
          "{:+.0f}%"
          "): trust the measurement, or look for what changed the files (binning, processing)",
          *m.header_gain_e_per_adu, m.fit.gain_e_per_adu, m.fit.gain_error, 100.0 * (ratio - 1.0)));
    }
  }
  if (m.fit.correlation_excess > correlated_share &&
      m.fit.correlation_excess > sure * m.fit.correlation_error) {
    m.notes.push_back(fmt::format(
        "neighbouring pixels share noise ({:.0f}% of the variance is missing from single pixels): "
        "the files were interpolated, filtered or compressed with loss, or the pixels trade "
        "charge. "
        "The gain is too large by about that much: {:.4g} e/ADU would be the gain without it",
        100.0 * m.fit.correlation_excess / (1.0 + m.fit.correlation_excess),
        m.fit.gain_e_per_adu / (1.0 + m.fit.correlation_excess)));
  }
  const double freedom = m.fit.points - 1.0;
  if (m.fit.points > 2 && m.fit.chi2_per_freedom > 1.0 + sure * std::sqrt(2.0 / freedom) &&
      m.fit.largest_departure > 0.02) {
    m.notes.push_back(fmt::format(
        "noise does not grow straight with light (up to {:.1f}% off the line): the light moved "
        "within the field between the frames, or the camera is not linear; the error is widened",
        100.0 * m.fit.largest_departure));
  }
}

void note_colours(CameraMeasurement& m) {
  if (m.sites.size() != 4 || !m.fit.usable) return;
  double low = 1e300;
  double high = 0.0;
  double error = 0.0;
  for (const auto& site : m.sites) {
    if (!site.usable) continue;
    low = std::min(low, site.gain_e_per_adu);
    high = std::max(high, site.gain_e_per_adu);
    error = std::max(error, site.gain_error);
  }
  if (high - low > 0.02 * high && high - low > sure * std::sqrt(2.0) * error) {
    m.notes.push_back(
        "the colours differ in gain: the camera multiplies them (white balance) before it writes; "
        "switch that off, or use the figures by colour");
  }
}

void note_codes(CameraMeasurement& m) {
  if (m.codes.lossy) {
    m.notes.push_back(fmt::format(
        "codes step by {:g} at the bottom and {:g} at the top: the camera codes with loss; noise "
        "below a step at the top is rounding, not light",
        m.codes.step, m.codes.step_high));
  }
  if (m.at_zero_code > cut_share) {
    m.notes.push_back(
        fmt::format("{:.1f}% of the dark pixels are at the lowest code: the offset is set too low, "
                    "their noise is "
                    "cut off and the read noise comes out too small; raise the offset",
                    100.0 * m.at_zero_code));
  }
  if (m.read_noise.is_bound) {
    m.notes.push_back(
        "the read noise is hidden by the code step: the figure is an upper bound; a higher gain "
        "setting would show it");
  }
  if (m.row_correlation > 0.1) {
    m.notes.push_back(
        fmt::format("dark pixels of a row share noise (correlation {:.2f}): bands along rows",
                    m.row_correlation));
  }
  if (m.dark_source == "dark") {
    m.notes.push_back(
        fmt::format("without bias frames the dark level and the read noise are those of {:g} s "
                    "darks: the noise "
                    "of their dark current is in the read noise",
                    m.dark_source_s));
  }
}

void note_darks(CameraMeasurement& m) {
  for (const auto& rate : m.dark_currents) {
    if (!rate.level_is_clamped) continue;
    m.notes.push_back(
        "the dark level does not rise with exposure as its noise does: the camera shifts its black "
        "level; the dark current is taken from the noise");
    return;
  }
}

void advise(CameraMeasurement& m) {
  if (m.bias_frames < 2) {
    m.advice.emplace_back("two bias frames (shortest exposure, covered): the read noise by itself");
  }
  if (!m.fit.usable) {
    m.advice.emplace_back(
        "two flats of one exposure at about half of the range, and two bias frames: the gain");
  }
  if (m.saturation_source == "range" || m.saturation_source == "header") {
    m.advice.emplace_back("two flats that are overexposed on purpose: saturation and full well");
  }
  if (m.linearity.status == sensor::Linearity::Status::too_few_exposures) {
    m.advice.emplace_back(
        "pairs of flats at five or more exposure times from 5% to 95% of saturation under a steady "
        "lamp: linearity, and a gain from the whole range");
  }
  if (m.dark_currents.empty()) {
    m.advice.emplace_back(
        "two darks each of a short and a long exposure (say 30 and 300 s): the dark current");
  } else if (!m.doubling) {
    m.advice.emplace_back(
        "the same darks at another sensor temperature, 5 C or more away: the doubling temperature "
        "of the dark current");
  }
}

}  // namespace

double share_at_zero(const sensor::CodeHistogram& dark) {
  if (dark.pixels() == 0) return 0.0;
  const auto at = [&](int code) {
    return static_cast<double>(
        dark.counts()[static_cast<std::size_t>(code - sensor::CodeHistogram::lowest_code)]);
  };
  std::uint64_t negative = 0;
  for (int code = sensor::CodeHistogram::lowest_code; code < 0; ++code) {
    negative += dark.counts()[static_cast<std::size_t>(code - sensor::CodeHistogram::lowest_code)];
  }
  // Where negative codes occur zero is no end.
  const double cut = negative > 0 ? at(sensor::CodeHistogram::lowest_code) : at(0);
  return cut / static_cast<double>(dark.pixels());
}

std::string site_name(CfaPattern cfa, int site) {
  if (cfa == CfaPattern::none) return "all";
  const int colour = cfa_colour(cfa, site & 1, site >> 1);
  if (colour == 0) return "red";
  if (colour == 2) return "blue";
  return (site >> 1) == 0 ? "green, even rows" : "green, odd rows";
}

void add_notes(CameraMeasurement& m) {
  note_gain(m);
  note_colours(m);
  note_codes(m);
  note_darks(m);
  advise(m);
}

}  // namespace coldframe::session
