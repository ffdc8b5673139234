#include "raw_frame.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"

namespace coldframe::session {
namespace {

constexpr int smooth_rows = 32;  // to both sides

class TrimmedFrame : public PixelSource {
 public:
  TrimmedFrame(std::unique_ptr<fits::ImageFile> file, const FrameInfo& info)
      : file_(std::move(file)),
        area_(info.image_area.value_or(whole(file_->size()))),
        section_(info.bias_section) {}

  [[nodiscard]] Size size() const noexcept override { return area_.size(); }
  [[nodiscard]] int planes() const noexcept override { return file_->planes(); }

  void fill(int plane, const Rect& rect, PlaneView<float> values) const override {
    const Rect stored{rect.x0 + area_.x0, rect.y0 + area_.y0, rect.x1 + area_.x0,
                      rect.y1 + area_.y0};
    file_->fill(plane, stored, values);
    if (!section_) return;
    std::call_once(once_, [&] { read_overscan(plane); });
    for (int y = 0; y < rect.height(); ++y) {
      const float level = rows_[static_cast<std::size_t>(rect.y0 + y)];
      for (float& v : values.row(y)) v -= level;
    }
  }

 private:
  void read_overscan(int plane) const {
    Grid<float> pixels(section_->size());
    file_->fill(plane, *section_, pixels.view());
    rows_ = overscan_rows(pixels.cview(), *section_, area_);
  }

  std::unique_ptr<fits::ImageFile> file_;
  Rect area_;
  std::optional<Rect> section_;
  mutable std::once_flag once_;
  mutable std::vector<float> rows_;
};

/// Mean and variance of one row's pixels within 4 robust sigma of the median: a cosmic ray
/// or the trail of a saturated star does not count.
struct RowLevel {
  double mean = 0.0;
  double variance_of_mean = 0.0;
};

RowLevel row_level(std::span<const float> pixels) {
  std::vector<float> good;
  for (const float v : pixels) {
    if (std::isfinite(v)) good.push_back(v);
  }
  if (good.empty()) return {};
  std::vector<float> work = good;
  const auto centre = static_cast<double>(median_in_place(std::span<float>(work)));
  for (std::size_t i = 0; i < good.size(); ++i) {
    work[i] = static_cast<float>(std::fabs(static_cast<double>(good[i]) - centre));
  }
  const double sigma =
      std::max(mad_to_sigma * static_cast<double>(median_in_place(std::span<float>(work))), 0.3);
  double sum = 0.0;
  double squares = 0.0;
  double count = 0.0;
  for (const float v : good) {
    const double d = static_cast<double>(v) - centre;
    if (std::fabs(d) > 4.0 * sigma) continue;
    sum += d;
    squares += d * d;
    count += 1.0;
  }
  if (count < 2.0) return {centre, sigma * sigma};
  const double mean = sum / count;
  return {centre + mean, (squares - sum * mean) / ((count - 1.0) * count)};
}

/// Running mean over the rows nearby; each row's value depends on its place alone.
std::vector<double> smoothed(const std::vector<double>& rows) {
  std::vector<double> result(rows.size());
  const int n = static_cast<int>(rows.size());
  for (int y = 0; y < n; ++y) {
    const int half = std::min({smooth_rows, y, n - 1 - y});  // symmetric: a slope stays a slope
    double sum = 0.0;
    for (int k = y - half; k <= y + half; ++k) sum += rows[static_cast<std::size_t>(k)];
    result[static_cast<std::size_t>(y)] = sum / (2 * half + 1);
  }
  return result;
}

/// Share of the row-to-row scatter that is not the overscan's own noise, 0 when it is not
/// significant.
double real_share(const std::vector<RowLevel>& levels) {
  if (levels.size() < 16) return 0.0;
  std::vector<double> differences;
  std::vector<double> noise;
  for (std::size_t y = 0; y + 1 < levels.size(); ++y) {
    differences.push_back(std::fabs(levels[y + 1].mean - levels[y].mean));
    noise.push_back(levels[y].variance_of_mean);
  }
  const double step = mad_to_sigma * median_in_place(std::span<double>(differences));
  const double scatter = 0.5 * step * step;
  double expected = 0.0;
  for (const double v : noise) expected += v / static_cast<double>(noise.size());
  // The variance from n absolute deviations is known to about sqrt(5.4 / n).
  const double doubt = 3.0 * std::sqrt(5.4 / static_cast<double>(levels.size()));
  return scatter > expected * (1.0 + doubt) ? 1.0 - expected / scatter : 0.0;
}

std::vector<float> one_level(PlaneView<const float> overscan, std::size_t rows) {
  std::vector<double> means;
  for (int y = 0; y < overscan.height(); ++y) means.push_back(row_level(overscan.row(y)).mean);
  const double level = means.empty() ? 0.0 : median_in_place(std::span<double>(means));
  return std::vector<float>(rows, static_cast<float>(level));
}

}  // namespace

std::vector<float> overscan_rows(PlaneView<const float> overscan, const Rect& section,
                                 const Rect& area) {
  const auto rows = static_cast<std::size_t>(area.height());
  const bool beside = section.x1 <= area.x0 || section.x0 >= area.x1;
  if (!beside || section.y0 > area.y0 || section.y1 < area.y1) return one_level(overscan, rows);
  // The columns next to the image hold charge that the read-out left behind.
  const int skip = section.width() > 8 ? 2 : 0;
  const int x0 = section.x0 >= area.x1 ? skip : 0;
  const int x1 = section.width() - (section.x1 <= area.x0 ? skip : 0);
  std::vector<RowLevel> levels;
  std::vector<double> means;
  for (int y = area.y0; y < area.y1; ++y) {
    const auto row = overscan.row(y - section.y0);
    levels.push_back(
        row_level(row.subspan(static_cast<std::size_t>(x0), static_cast<std::size_t>(x1 - x0))));
    means.push_back(levels.back().mean);
  }
  const auto smooth = smoothed(means);
  const double share = real_share(levels);
  std::vector<float> result(rows);
  for (std::size_t y = 0; y < rows; ++y) {
    result[y] = static_cast<float>(smooth[y] + share * (means[y] - smooth[y]));
  }
  return result;
}

std::unique_ptr<PixelSource> raw_frame_of(std::unique_ptr<fits::ImageFile> file,
                                          const FrameInfo& info) {
  if (!info.image_area) return file;
  return std::make_unique<TrimmedFrame>(std::move(file), info);
}

std::unique_ptr<PixelSource> open_raw_frame(const std::filesystem::path& path,
                                            const FrameInfo& info) {
  return raw_frame_of(fits::ImageFile::open(path), info);
}

double overscan_level(const std::filesystem::path& path, const FrameInfo& info) {
  if (!info.image_area || !info.bias_section) return 0.0;
  const auto file = fits::ImageFile::open(path);
  Grid<float> pixels(info.bias_section->size());
  file->fill(0, *info.bias_section, pixels.view());
  auto rows = overscan_rows(pixels.cview(), *info.bias_section, *info.image_area);
  return rows.empty() ? 0.0 : static_cast<double>(median_in_place(std::span<float>(rows)));
}

void trim_header(Header& header, const FrameInfo& info) {
  if (!info.image_area) return;
  for (const char* card : {"BIASSEC", "TRIMSEC", "DATASEC", "CCDSEC"}) header.remove(card);
  for (const auto& [keyword, start] :
       {std::pair{"CRPIX1", info.image_area->x0}, std::pair{"CRPIX2", info.image_area->y0}}) {
    if (const auto value = header.real(keyword)) header.set(keyword, *value - start);
  }
  if (info.cfa == CfaPattern::none) return;
  auto order = header.text("ROWORDER").value_or("");
  const bool bottom_up = order.starts_with('B') || order.starts_with('b');
  const auto pattern = bottom_up ? cfa_shifted(info.cfa, 0, info.size.height - 1) : info.cfa;
  for (const char* offset : {"XBAYROFF", "YBAYROFF", "BAYOFFX", "BAYOFFY"}) header.remove(offset);
  header.set("BAYERPAT", to_string(pattern), "of the trimmed frame");
}

std::string sections_key(const FrameInfo& info) {
  if (!info.image_area) return {};
  const auto text = [](const Rect& r) {
    return fmt::format(" {},{},{},{}", r.x0, r.y0, r.x1, r.y1);
  };
  return text(*info.image_area) + (info.bias_section ? text(*info.bias_section) : std::string());
}

}  // namespace coldframe::session
