#include "sim/frame_header.hpp"

#include <fmt/format.h>

#include <chrono>
#include <cmath>
#include <cstdio>
#include <numbers>
#include <optional>

#include "coldframe/core/random.hpp"
#include "coldframe/core/units.hpp"
#include "sim/noise.hpp"

namespace coldframe::sim {
namespace {

using Moment = std::chrono::sys_time<std::chrono::milliseconds>;

std::optional<Moment> read_moment(const std::string& text) {
  int year = 0;
  unsigned month = 0;
  unsigned day = 0;
  int hour = 0;
  int minute = 0;
  int second = 0;
  int used = 0;
  if (std::sscanf(text.c_str(), "%4d-%2u-%2uT%2d:%2d:%2d%n", &year, &month, &day, &hour, &minute,
                  &second, &used) != 6 ||
      static_cast<std::size_t>(used) != text.size()) {
    return std::nullopt;
  }
  const std::chrono::year_month_day date{std::chrono::year{year}, std::chrono::month{month},
                                         std::chrono::day{day}};
  if (!date.ok() || hour < 0 || hour > 23 || minute < 0 || minute > 59 || second < 0 ||
      second > 59) {
    return std::nullopt;
  }
  return Moment{std::chrono::sys_days{date}} + std::chrono::hours{hour} +
         std::chrono::minutes{minute} + std::chrono::seconds{second};
}

std::string iso_text(Moment moment) {
  const auto midnight = std::chrono::floor<std::chrono::days>(moment);
  const std::chrono::year_month_day date{midnight};
  const std::chrono::hh_mm_ss time{moment - midnight};
  return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}", static_cast<int>(date.year()),
                     static_cast<unsigned>(date.month()), static_cast<unsigned>(date.day()),
                     time.hours().count(), time.minutes().count(), time.seconds().count(),
                     time.subseconds().count());
}

const char* image_type(FrameKind kind) noexcept {
  switch (kind) {
    case FrameKind::light:
      return "LIGHT";
    case FrameKind::dark:
      return "DARK";
    case FrameKind::flat:
      return "FLAT";
    case FrameKind::flat_dark:
      return "DARKFLAT";
    case FrameKind::bias:
      return "BIAS";
    case FrameKind::unknown:
      break;
  }
  return "UNKNOWN";
}

void add_pointing(Header& header, const Scene& scene, const TrueSub& sub) {
  constexpr double degree = std::numbers::pi / 180.0;
  const double cx = 0.5 * (scene.sensor.width - 1);
  const double cy = 0.5 * (scene.sensor.height - 1);
  const Point seen = sub.sky_to_sub.unapply({cx, cy});
  const double scale =
      pixel_scale_arcsec(scene.optics.pixel_um, scene.optics.focal_length_mm) / 3600.0;
  const double dec = scene.sky.dec_deg + scale * (seen.y - cy);
  const double ra = scene.sky.ra_deg - scale * (seen.x - cx) / std::cos(scene.sky.dec_deg * degree);
  header.set("RA", std::round(ra * 1e4) / 1e4, "[deg] pointing, J2000");
  header.set("DEC", std::round(dec * 1e4) / 1e4, "[deg] pointing, J2000");
  header.set("PIERSIDE", sub.flipped ? "WEST" : "EAST", "side of the mount");
}

void add_sensor(Header& header, const Scene& scene, const FramePlan& frame) {
  const SensorScene& sensor = scene.sensor;
  RandomStream random(
      scene.seed, stream::header,
      (static_cast<std::uint64_t>(frame.kind) << 32U) + static_cast<std::uint64_t>(frame.index));
  const double measured =
      sensor.temperature_c + 0.1 * std::round(1.5 * (2.0 * random.uniform() - 1.0));
  header.set("CCD-TEMP", std::round(measured * 10.0) / 10.0, "[C] sensor");
  header.set("SET-TEMP", sensor.temperature_c, "[C] wanted");
  header.set("GAIN", sensor.gain_setting, "driver setting");
  header.set("EGAIN", sensor.gain_e_per_adu / static_cast<double>(1 << sensor.left_shift),
             "[e-/ADU]");
  header.set("OFFSET", sensor.offset_setting, "driver setting");
  header.set("XBINNING", 1);
  header.set("YBINNING", 1);
  header.set("XPIXSZ", scene.optics.pixel_um, "[um]");
  header.set("YPIXSZ", scene.optics.pixel_um, "[um]");
  header.set("INSTRUME", std::string_view(scene.camera));
  header.set("READOUTM", std::string_view(sensor.read_out));
  if (sensor.cfa != CfaPattern::none) {
    header.set("BAYERPAT", to_string(sensor.cfa));
    header.set("XBAYROFF", 0);
    header.set("YBAYROFF", 0);
    header.set("ROWORDER", "TOP-DOWN", "the pattern starts in the first row of the file");
  }
}

}  // namespace

bool is_iso_moment(const std::string& text) { return read_moment(text).has_value(); }

Header frame_header(const Scene& scene, const FramePlan& frame, const TrueSub* sub) {
  Header header;
  header.set("IMAGETYP", image_type(frame.kind));
  header.set("EXPTIME", frame.exposure_s, "[s]");
  const Moment start = read_moment(scene.start).value_or(Moment{}) +
                       std::chrono::milliseconds{std::llround(frame.start_s * 1000.0)};
  header.set("DATE-OBS", std::string_view(iso_text(start)), "start of the exposure, UTC");
  add_sensor(header, scene, frame);
  header.set("TELESCOP", std::string_view(scene.telescope));
  header.set("FOCALLEN", scene.optics.focal_length_mm, "[mm]");
  if (!frame.filter.empty()) header.set("FILTER", std::string_view(frame.filter));
  if (frame.kind == FrameKind::light) {
    header.set("OBJECT", std::string_view(scene.object));
    if (sub != nullptr) add_pointing(header, scene, *sub);
  }
  header.set("SWCREATE", "coldframe simulate", "synthetic frame");
  for (const std::string& keyword : scene.omit) header.remove(keyword);
  return header;
}

}  // namespace coldframe::sim
