// A camera's figures in words: each with its error, its range and what it means.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "camera_notes.hpp"
#include "coldframe/core/error.hpp"
#include "coldframe/session/camera.hpp"

namespace coldframe::session {
namespace {

// Two digits of the error decide how many digits of the value mean something.
std::string with_error(double value, double error) {
  if (!(error > 0.0) || !std::isfinite(error)) return fmt::format("{:.4g}", value);
  const int digits = 1 - static_cast<int>(std::floor(std::log10(error)));
  const int decimals = std::clamp(digits, 0, 9);
  return fmt::format("{:.{}f} +- {:.{}f}", value, decimals, error, decimals);
}

void add(std::string& text, std::string_view name, const std::string& figure,
         const std::string& meaning) {
  text += fmt::format("{:<22}{:<34}{}\n", name, figure, meaning);
}

std::string heading(const CameraMeasurement& m) {
  std::string text = m.camera.empty() ? "camera without a name" : printable(m.camera);
  if (!m.read_out.empty()) text += ", " + printable(m.read_out);
  if (m.gain_setting) text += fmt::format(", gain setting {:g}", *m.gain_setting);
  if (m.offset_setting) text += fmt::format(", offset {:g}", *m.offset_setting);
  text += fmt::format(", binning {}, {} x {} pixels{}", m.binning, m.size.width, m.size.height,
                      m.cfa == CfaPattern::none ? "" : ", colour mosaic");
  return text + fmt::format("\nfrom {} bias frames, {} darks, {} flats in {} pairs\n\n",
                            m.bias_frames, m.dark_frames, m.flat_frames, m.pairs.size());
}

void add_gain(std::string& text, const CameraMeasurement& m) {
  if (!m.fit.usable) {
    add(text, "gain", "not measured", "see below");
    return;
  }
  add(text, "gain", with_error(m.fit.gain_e_per_adu, m.fit.gain_error) + " e/ADU",
      "electrons that one step of the files' numbers (ADU) stands for");
  text += fmt::format(
      "{:<22}slope of noise variance against light, {} points from {:.0f} to {:.0f} ADU above "
      "dark{}\n",
      "", m.fit.points, m.fit.lowest_adu, m.fit.highest_adu,
      m.fit.points > 1
          ? fmt::format(" (scatter {:.2f} of the expected)", std::sqrt(m.fit.chi2_per_freedom))
          : "");
  for (std::size_t s = 0; s < m.sites.size(); ++s) {
    if (!m.sites[s].usable) continue;
    add(text, "  " + site_name(m.cfa, static_cast<int>(s)),
        with_error(m.sites[s].gain_e_per_adu, m.sites[s].gain_error) + " e/ADU",
        "read noise " + (m.site_noise[s].is_bound ? std::string("at most ") : std::string()) +
            with_error(m.site_noise[s].electrons, m.site_noise[s].error_e) + " e");
  }
}

void add_read_noise(std::string& text, const CameraMeasurement& m) {
  if (m.dark_source.empty()) {
    add(text, "read noise", "not measured", "needs two bias frames");
    return;
  }
  const auto& noise = m.read_noise;
  const std::string adu = with_error(noise.adu, noise.error_adu) + " ADU";
  const std::string most = noise.is_bound ? "at most " : "";
  const std::string figure =
      m.fit.usable ? most + with_error(noise.electrons, noise.error_e) + " e" : most + adu;
  add(text, "read noise", figure,
      fmt::format("of one pixel of one frame{}; rounding to codes {}",
                  m.fit.usable ? " (" + adu + ")" : "", noise.is_bound ? "hides it" : "taken off"));
  add(text, "dark level", fmt::format("{:.1f} ADU", m.zero_adu), "value of a pixel without light");
}

void add_range(std::string& text, const CameraMeasurement& m) {
  const auto& codes = m.codes;
  add(text, "code step",
      !codes.integers ? std::string("none")
      : codes.lossy   ? fmt::format("{:g} to {:g} ADU", codes.step, codes.step_high)
                      : fmt::format("{:g} ADU", codes.step),
      !codes.integers    ? "pixels are no integers: not as the converter wrote them"
      : codes.step > 1.5 ? "fewer than 16 bits, shifted left"
                         : "every number occurs");
  const std::string level = fmt::format("{:.0f} ADU", m.saturation_adu);
  if (m.saturation_source == "range" || m.saturation_source == "header") {
    add(text, "saturation", "not reached",
        fmt::format("brightest pixel {:.0f} ADU; {} taken as the end ({})", codes.highest, level,
                    m.saturation_source == "header" ? "header"
                    : codes.highest > 65535.0       ? "a power of two"
                                                    : "16 bits"));
  } else {
    add(text, "saturation", level,
        m.saturation_source == "codes"   ? "pixels pile up at this code"
        : m.saturation_source == "noise" ? "from here on the noise falls: wells are full"
                                         : "as given");
  }
  if (!m.fit.usable) return;
  const double share = m.fit.gain_error / m.fit.gain_e_per_adu;
  if (m.full_well_e) {
    add(text, "full well", with_error(*m.full_well_e, *m.full_well_e * share) + " e",
        "electrons above dark that a pixel can show");
    if (m.read_noise.electrons > 0.0) {
      const double range = *m.full_well_e / m.read_noise.electrons;
      add(text, "dynamic range", fmt::format("{:.0f} : 1", range),
          fmt::format("full well over read noise, {:.1f} stops", std::log2(range)));
    }
  } else {
    const double most = (m.saturation_adu - m.zero_adu) * m.fit.gain_e_per_adu;
    add(text, "full well", fmt::format("at most {:.0f} e", most),
        fmt::format("end of the numbers; seen without fault up to {:.0f} e",
                    m.fit.highest_adu * m.fit.gain_e_per_adu));
  }
}

void add_dark_current(std::string& text, const CameraMeasurement& m) {
  const double gain = m.fit.usable ? m.fit.gain_e_per_adu : 1.0;
  const char* unit = m.fit.usable ? "e/s" : "ADU/s";
  for (const auto& rate : m.dark_currents) {
    const std::string at =
        rate.temperature_c ? fmt::format(" at {:.1f} C", *rate.temperature_c) : std::string();
    add(text, "dark current",
        with_error(rate.adu_per_s * gain, rate.error_adu_per_s * gain) + " " + unit,
        fmt::format("per pixel{}, from the {} of {} exposures up to {:g} s, hot pixels left out",
                    at, rate.method == sensor::DarkMethod::level ? "level" : "noise",
                    rate.exposures, rate.longest_s));
  }
  if (m.doubling) {
    add(text, "  doubles every", with_error(m.doubling->kelvin, m.doubling->error_kelvin) + " C",
        fmt::format("from {} temperatures", m.doubling->temperatures));
  }
  if (m.hot_exposure_s > 0.0) {
    add(text, "hot or odd pixels", fmt::format("{:.3g}%", 100.0 * m.hot_share),
        fmt::format("beyond 8 sigma (or hit) in darks of {:g} s", m.hot_exposure_s));
  }
}

void add_linearity(std::string& text, const CameraMeasurement& m) {
  const auto& line = m.linearity;
  using Status = sensor::Linearity::Status;
  if (line.status == Status::light_not_constant) {
    add(text, "linearity", "not measured",
        fmt::format("the light changed by {:.1f}% between equal exposures",
                    100.0 * line.lamp_spread));
    return;
  }
  if (line.status != Status::measured) return;
  add(text, "linearity",
      fmt::format("{:+.2f}% at {:.0f} ADU", 100.0 * line.largest, line.largest_at_adu),
      fmt::format(
          "largest deviation from a line, {} exposures, {:.0f} to {:.0f} ADU; mean {:.2f}%, "
          "the lamp alone {:.2f}%",
          line.exposures, line.lowest_adu, line.highest_adu, 100.0 * line.mean,
          100.0 * line.lamp_spread));
}

void add_pattern(std::string& text, const CameraMeasurement& m) {
  if (m.pattern.prnu) {
    add(text, "pixel response", fmt::format("{:.2f}% rms", 100.0 * *m.pattern.prnu),
        fmt::format("fixed differences from pixel to pixel (PRNU) at {:.0f} ADU; a flat removes "
                    "them",
                    m.pattern.prnu_signal_adu));
  }
  if (!m.dark_source.empty()) {
    add(text, "dark pattern",
        m.fit.usable ? fmt::format("{:.3g} e rms", m.pattern.dsnu_adu * m.fit.gain_e_per_adu)
                     : fmt::format("{:.3g} ADU rms", m.pattern.dsnu_adu),
        "fixed differences without light (DSNU); a bias or dark removes them");
  }
}

}  // namespace

std::string camera_text(const CameraMeasurement& m) {
  std::string text = heading(m);
  add_gain(text, m);
  add_read_noise(text, m);
  add_range(text, m);
  add_pattern(text, m);
  add_linearity(text, m);
  add_dark_current(text, m);
  for (const auto& note : m.notes) text += "note: " + printable(note) + "\n";
  if (!m.advice.empty()) text += "more frames would add:\n";
  for (const auto& line : m.advice) text += "  - " + line + "\n";
  return text;
}

}  // namespace coldframe::session
