// Raw frames as the job sees them: overscan taken off, the light-sensitive part only.
#pragma once

#include <filesystem>
#include <memory>
#include <mutex>
#include <vector>

#include "coldframe/core/frame_info.hpp"
#include "coldframe/core/header.hpp"
#include "coldframe/core/pixel_source.hpp"
#include "coldframe/fits/image_file.hpp"

namespace coldframe::session {

/// Opens a frame of which `info` (trimmed by `trim_to_image_area`) says where image and overscan
/// are. Without sections this is the file itself.
[[nodiscard]] std::unique_ptr<PixelSource> open_raw_frame(const std::filesystem::path& path,
                                                          const FrameInfo& info);
/// The same for a file that is open.
[[nodiscard]] std::unique_ptr<PixelSource> raw_frame_of(std::unique_ptr<fits::ImageFile> file,
                                                        const FrameInfo& info);

/// Usual level of the overscan of a frame, ADU; 0 without one.
[[nodiscard]] double overscan_level(const std::filesystem::path& path, const FrameInfo& info);

/// The level to take off every row of the image area: the overscan's level over the rows, smooth
/// where its rows scatter no more than their pixels do, following single rows as far as they
/// scatter more (James & Stein 1961: the share of the scatter that is not noise). One entry per row
/// of `area`. An overscan that does not run beside the image gives one level.
[[nodiscard]] std::vector<float> overscan_rows(PlaneView<const float> overscan, const Rect& section,
                                               const Rect& area);

/// The sections' cards out, sky position and colour pattern moved to the trimmed frame; unchanged
/// when `info` is not trimmed.
void trim_header(Header& header, const FrameInfo& info);

/// Text of what the sections do to a frame, for cache keys; empty when nothing.
[[nodiscard]] std::string sections_key(const FrameInfo& info);

}  // namespace coldframe::session
