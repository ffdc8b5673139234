#include "coldframe/core/frame_info.hpp"

namespace coldframe {
namespace {

/// The frame without a strip that runs along one of its edges; all of it when the section is
/// somewhere else.
Rect without_strip(const Rect& frame, const Rect& strip) noexcept {
  Rect rest = frame;
  const bool full_height = strip.y0 <= frame.y0 + 1 && strip.y1 >= frame.y1 - 1;
  const bool full_width = strip.x0 <= frame.x0 + 1 && strip.x1 >= frame.x1 - 1;
  // Overscan is a small part of a frame; what is not is no overscan.
  if (full_height && strip.width() * 2 < frame.width()) {
    if (strip.x0 == frame.x0) rest.x0 = strip.x1;
    if (strip.x1 == frame.x1) rest.x1 = strip.x0;
  } else if (full_width && strip.height() * 2 < frame.height()) {
    if (strip.y0 == frame.y0) rest.y0 = strip.y1;
    if (strip.y1 == frame.y1) rest.y1 = strip.y0;
  }
  return rest;
}

}  // namespace

void trim_to_image_area(FrameInfo& info) {
  if (info.image_area) return;
  const Rect frame = whole(info.size);
  Rect area = frame;
  if (info.trim_section) {
    area = *info.trim_section;
  } else if (info.data_section) {
    area = *info.data_section;
  } else if (info.bias_section) {
    area = without_strip(frame, *info.bias_section);
  }
  if (area == frame || area.empty()) return;
  info.image_area = area;
  info.size = area.size();
  info.cfa = cfa_shifted(info.cfa, area.x0, area.y0);
}

}  // namespace coldframe
