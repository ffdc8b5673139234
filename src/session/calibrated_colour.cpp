#include "calibrated_colour.hpp"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <vector>

#include "coldframe/core/error.hpp"
#include "coldframe/core/parallel.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/pipeline/calibrated_noise.hpp"
#include "coldframe/session/canvas.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

// A frame's pixels with their variances.
struct Samples {
  Grid<float> values;
  Grid<float> variance;
  Mask mask;
};

Samples read_samples(const PixelSource& source, const pipeline::Calibration& calibration,
                     const Rect& rect) {
  Samples s{Grid<float>(rect.size()), Grid<float>(rect.size()), Mask(rect.size())};
  pipeline::read_calibrated_with_error(source, calibration, rect, s.values.view(), s.mask.view(),
                                       s.variance.view());
  for (int y = 0; y < rect.height(); ++y) {
    for (float& v : s.variance.row(y)) v *= v;
  }
  return s;
}

// Level and noise of each colour's usual pixels, from rows spread over the frame.
sensor::SampleNoise usual_noise(const PixelSource& source,
                                const pipeline::Calibration& calibration) {
  constexpr int bands = 16;
  constexpr int rows = 4;
  const Size size = source.size();
  std::vector<float> levels[3], variances[3];
  for (int b = 0; b < bands; ++b) {
    const int y0 = std::min((size.height * b) / bands, std::max(size.height - rows, 0));
    const Rect band{0, y0, size.width, std::min(y0 + rows, size.height)};
    const Samples s = read_samples(source, calibration, band);
    for (int y = 0; y < band.height(); ++y) {
      for (int x = 0; x < size.width; ++x) {
        if (s.mask(x, y) != 0) continue;
        const int c = cfa_colour(calibration.cfa, x, y0 + y);
        levels[c].push_back(s.values(x, y));
        variances[c].push_back(s.variance(x, y));
      }
    }
  }
  sensor::SampleNoise noise;
  for (std::size_t c = 0; c < 3; ++c) {
    if (levels[c].empty()) continue;
    noise.level[c] = median_in_place(std::span<float>(levels[c]));
    noise.variance[c] = median_in_place(std::span<float>(variances[c]));
    noise.slope[c] = static_cast<float>(1.0 / calibration.electrons_per_unit());
  }
  return noise;
}

class ColourFrame {
 public:
  ColourFrame(const PixelSource& source, const pipeline::Calibration& calibration,
              sensor::Demosaic method)
      : source_(source),
        calibration_(calibration),
        method_(method),
        half_(method == sensor::Demosaic::half_size),
        size_(half_ ? sensor::half_size_of(source.size()) : source.size()),
        noise_(usual_noise(source, calibration)),
        gains_(sensor::demosaic_site_gains(
            calibration.cfa, method,
            {std::sqrt(double(noise_.variance[0])), std::sqrt(double(noise_.variance[1])),
             std::sqrt(double(noise_.variance[2]))})) {}

  [[nodiscard]] Size size() const noexcept { return size_; }

  // Values, variances and masks of `target`, pixels of the colour frame.
  void fill(const Rect& target, PlaneView<float> planes[3], PlaneView<float> variances[3],
            PlaneView<std::uint8_t> masks[3]) const {
    const auto cfa = calibration_.cfa;
    if (half_) {
      const Rect cells{2 * target.x0, 2 * target.y0, 2 * target.x1, 2 * target.y1};
      const Samples s = read_samples(source_, calibration_, cells);
      sensor::half_size_band(s.values.cview(), s.mask.cview(), cells, cfa, target, planes, masks);
      sensor::half_size_variance_band(s.variance.cview(), cells, cfa, target, variances);
      return;
    }
    const Size frame = source_.size();
    const Rect wide = target.expand(sensor::demosaic_margin(method_)).intersect(whole(frame));
    const Samples s = read_samples(source_, calibration_, wide);
    sensor::demosaic_band(s.values.cview(), s.mask.cview(), wide, frame, cfa, method_, target,
                          planes, masks, noise_);
    sensor::demosaic_variance_band(s.variance.cview(), wide, frame, cfa, method_, gains_, target,
                                   variances);
  }

 private:
  const PixelSource& source_;
  const pipeline::Calibration& calibration_;
  sensor::Demosaic method_;
  bool half_;
  Size size_;
  sensor::SampleNoise noise_;
  sensor::SiteGains gains_;
};

Header colour_header(Header header, const pipeline::Calibration& calibration,
                     sensor::Demosaic method, Size size) {
  for (const char* mosaic : {"BAYERPAT", "XBAYROFF", "YBAYROFF", "BAYOFFX", "BAYOFFY", "BAYRPAT",
                             "COLORTYP", "CFATYPE", "CFAPAT"}) {
    header.remove(mosaic);
  }
  header.set("CFDEMOS", sensor::to_string(method), "how colours were filled in");
  if (method != sensor::Demosaic::half_size) return header;
  move_sky_coordinates(header, Canvas{size, 0, 0, 0.5});
  for (int p = 0; p < 3; ++p) {
    const Point at = sensor::half_size_sample(calibration.cfa, p);
    header.set(fmt::format("CFPLX{}", p + 1), 0.5 * (at.x - 0.5),
               fmt::format("[pix] where plane {} was sampled, from the pixel's centre", p + 1));
    header.set(fmt::format("CFPLY{}", p + 1), 0.5 * (at.y - 0.5));
  }
  return header;
}

struct ColourStrip {
  explicit ColourStrip(Size size) {
    for (int p = 0; p < 3; ++p) {
      planes.emplace_back(size);
      errors.emplace_back(size);
      masks.emplace_back(size);
    }
  }
  std::vector<Grid<float>> planes, errors;
  std::vector<Mask> masks;
};

void fill_strip(const ColourFrame& frame, const Rect& band, Threads threads, ColourStrip& strip) {
  parallel_bands(threads, band.height(), 64, [&](int a, int b) {
    const Rect part{0, a, band.width(), b};
    PlaneView<float> planes[3], variances[3];
    PlaneView<std::uint8_t> masks[3];
    for (std::size_t p = 0; p < 3; ++p) {
      planes[p] = strip.planes[p].view().crop(part);
      variances[p] = strip.errors[p].view().crop(part);
      masks[p] = strip.masks[p].view().crop(part);
    }
    frame.fill({0, band.y0 + a, band.width(), band.y0 + b}, planes, variances, masks);
    for (const auto& plane : variances) {
      for (int y = 0; y < plane.height(); ++y) {
        for (float& v : plane.row(y)) v = std::sqrt(v);
      }
    }
  });
}

}  // namespace

void write_calibrated_colour(const PixelSource& source, Header header,
                             const pipeline::Calibration& calibration, sensor::Demosaic method,
                             const std::filesystem::path& out, Threads threads) {
  if (calibration.cfa == CfaPattern::none || source.planes() != 1) {
    throw Error(ErrorKind::input, out.filename().string(),
                "comes from a frame without a colour pattern and cannot be demosaiced",
                "leave --demosaic out, or supply BAYERPAT");
  }
  const ColourFrame frame(source, calibration, method);
  const Size size = frame.size();
  if (size.width < 1 || size.height < 1) {
    throw Error(ErrorKind::input, out.filename().string(), "is too small to demosaic", "");
  }
  fits::FileWriter writer(out);
  const int values = writer.add_image({"", size, 3, fits::SampleType::float32},
                                      colour_header(std::move(header), calibration, method, size));
  Header uncert;
  uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
  const int errors = writer.add_image({"UNCERT", size, 3, fits::SampleType::float32}, uncert);
  const int masks = writer.add_image({"MASK", size, 3, fits::SampleType::uint8}, {});
  for_strips(size, [&](const Rect& band) {
    ColourStrip strip(band.size());
    fill_strip(frame, band, threads, strip);
    for (std::size_t p = 0; p < 3; ++p) {
      const int plane = static_cast<int>(p);
      writer.write_rows(values, plane, band.y0, strip.planes[p].cview());
      writer.write_rows(errors, plane, band.y0, strip.errors[p].cview());
      writer.write_rows(masks, plane, band.y0, strip.masks[p].cview());
    }
  });
  writer.commit();
}

}  // namespace coldframe::session
