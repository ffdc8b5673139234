#include "result_writer.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

#include "coldframe/core/version.hpp"
#include "frame_access.hpp"
#include "group_grid.hpp"

namespace coldframe::session {
namespace {

constexpr int sample_step = 16;

Header extension_header(const char* what) {
  Header header;
  header.add({"COMMENT", what, "", Card::Type::commentary});
  return header;
}

}  // namespace

ResultWriter::ResultWriter(std::filesystem::path path, Size canvas, int planes,
                           const Header& header)
    : canvas_(canvas),
      planes_(planes),
      writer_(std::move(path)),
      kept_(canvas),
      kept_flags_(canvas) {
  using fits::SampleType;
  // Position and depth come when the pixels are written.
  constexpr int spare_cards = 150;
  mean_ = writer_.add_image({"", canvas, planes, SampleType::float32, spare_cards}, header);
  Header uncert = extension_header("Standard deviation of each pixel as written");
  uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
  uncert.set("BUNIT", header.text("BUNIT").value_or("adu"));
  uncert_ = writer_.add_image({"UNCERT", canvas, planes, SampleType::float32}, uncert);
  mask_ = writer_.add_image({"MASK", canvas, planes, SampleType::uint8},
                            extension_header("1 = no usable data"));
  Header flags = extension_header(
      "Bits: 1 defect, 2 saturated, 4 cosmic ray, 8 trail, 16 outside, 32 not finite");
  flags_ = writer_.add_image({"FLAGS", canvas, planes, SampleType::uint8}, flags);
  Header weight = extension_header("Exposure that reached each pixel after rejection");
  weight.set("BUNIT", "s");
  weight_ = writer_.add_image({"WEIGHT", canvas, planes, SampleType::float32}, weight);
  low_ = writer_.add_image({"NCLIPLO", canvas, planes, SampleType::int16},
                           extension_header("Samples left out for being too low"));
  high_ = writer_.add_image({"NCLIPHI", canvas, planes, SampleType::int16},
                            extension_header("Samples left out for being too high"));
}

void ResultWriter::write(const pipeline::ResultStrip& s) {
  writer_.write_rows(mean_, s.plane, s.y0, s.mean);
  writer_.write_rows(uncert_, s.plane, s.y0, s.uncertainty);
  Mask mask(s.mean.size());
  for (int y = 0; y < mask.height(); ++y) {
    for (int x = 0; x < mask.width(); ++x) mask(x, y) = std::isfinite(s.mean(x, y)) ? 0 : 1;
  }
  writer_.write_rows(mask_, s.plane, s.y0, mask.cview());
  writer_.write_rows(flags_, s.plane, s.y0, s.flags);
  writer_.write_rows(weight_, s.plane, s.y0, s.weight);
  writer_.write_rows(low_, s.plane, s.y0, s.clipped_low);
  writer_.write_rows(high_, s.plane, s.y0, s.clipped_high);
  keep(s);
}

void ResultWriter::keep(const pipeline::ResultStrip& s) {
  if (s.plane != (planes_ == 3 ? 1 : 0)) return;
  for (int y = 0; y < s.mean.height(); ++y) {
    const int row = s.y0 + y;
    const auto from = s.mean.row(y);
    std::copy(from.begin(), from.end(), kept_.row(row).begin());
    std::copy(s.flags.row(y).begin(), s.flags.row(y).end(), kept_flags_.row(row).begin());
    if (row % sample_step != 0) continue;
    for (int x = 0; x < s.mean.width(); x += sample_step) {
      const float sd = s.uncertainty(x, y);
      if (std::isfinite(sd)) sampled_.push_back(static_cast<double>(sd));
    }
  }
}

double largest_correlation(const pipeline::CombineTotals& totals, std::size_t aperture) {
  double largest = totals.noise_correlation.empty() ? 1.0 : 0.0;
  for (const auto& plane : totals.noise_correlation) largest = std::max(largest, plane[aperture]);
  return largest;
}

void ResultWriter::finish(const pipeline::CombineTotals& totals, const Header& late_cards,
                          const std::vector<fits::Table>& tables) {
  // One figure per file: the largest of the planes, so that no error is understated.
  Header noise;
  noise.set("NOISCORR", largest_correlation(totals, pipeline::usual_aperture),
            fmt::format("error of a {0}x{0} px sum / quadrature sum of UNCERT",
                        pipeline::aperture_sides[pipeline::usual_aperture]));
  for (std::size_t k = 0; k < pipeline::aperture_sides.size(); ++k) {
    noise.set(fmt::format("NOISC{:03}", pipeline::aperture_sides[k]),
              largest_correlation(totals, k),
              fmt::format("the same for {0}x{0} px", pipeline::aperture_sides[k]));
  }
  for (std::size_t p = 0;
       totals.noise_correlation.size() > 1 && p < totals.noise_correlation.size(); ++p) {
    noise.set(fmt::format("NOISCOR{}", p + 1),
              totals.noise_correlation[p][pipeline::usual_aperture],
              fmt::format("NOISCORR of plane {}", p + 1));
  }
  for (const auto& card : noise.cards()) writer_.set_card(uncert_, card);
  for (const auto& card : late_cards.cards()) writer_.set_card(mean_, card);
  for (const auto& table : tables) writer_.add_table(table);
  writer_.commit();
}

Header result_header(const Header& reference, const GroupState& group, const SessionRecord& record,
                     const RunOptions& options, PixelUnit unit) {
  Header header = reference;
  for (const char* stale :
       {"BAYERPAT", "XBAYROFF", "YBAYROFF", "ROWORDER", "COLORTYP", "PEDESTAL", "BIASSEC",
        "TRIMSEC",  "DATASEC",  "BLANK",    "DATAMIN",  "DATAMAX",  "CBLACK",   "CWHITE",
        "CFPLX1",   "CFPLY1",   "CFPLX2",   "CFPLY2",   "CFPLX3",   "CFPLY3",   "SATURATE",
        "RDNOISE",  "EGAIN",    "SWCREATE", "SWMODIFY", "EXPOSURE"}) {
    header.remove(stale);
  }
  const auto& photometric = group.subs[group.photometric_reference];
  double total = 0.0;
  int kept = 0;
  for (const auto& sub : group.subs) {
    if (!sub.kept) continue;
    total += sub.info->exposure_s.value_or(0.0);
    ++kept;
  }
  header.set("BUNIT", to_string(unit));
  header.set("IMAGETYP", "Light Frame");
  header.set("OBJECT", std::string_view(group.object));
  if (!group.filter.empty()) header.set("FILTER", std::string_view(group.filter));
  header.set("EXPTIME", photometric.info->exposure_s.value_or(0.0),
             "[s] of the sub that sets the scale");
  header.set("EXPTOTAL", total, "[s] sum over the subs that were combined");
  header.set("NCOMBINE", kept, "subs combined");
  if (unit == PixelUnit::electron) header.set("EGAIN", 1.0, "[e-/unit] pixels are electrons");
  header.set(program_keyword, version(), "version of the program that wrote this");
  header.set("CFREF", std::string_view(photometric.name), "sub that sets grid and scale");
  header.set("CFREJECT", stack::to_string(options.combine.rule), "rejection rule");
  header.set("CFWEIGHT", stack::to_string(options.weighting), "weights");
  if (has_mosaic(group)) {
    header.set("CFDEMOS", sensor::to_string(options.demosaic), "how colours were filled in");
  }
  for (const auto& master : record.masters) {
    header.history(
        fmt::format("master {} of {} frames: {}", master.kind, master.frames, master.path));
  }
  header.history(fmt::format("{} of {} subs registered and combined", kept, group.subs.size()));
  return header;
}

fits::Table subs_table(const SessionRecord& record, int result) {
  fits::Table table;
  table.name = "SUBS";
  std::vector<std::string> path, reason, start;
  std::vector<std::int32_t> kept;
  std::vector<double> exposure, fwhm, ellipticity, sky, noise, transparency, weight, residual;
  const double none = std::numeric_limits<double>::quiet_NaN();
  for (const auto& s : record.subs) {
    if (s.result != result) continue;
    path.push_back(s.path);
    reason.push_back(s.reason);
    start.push_back(s.start);
    kept.push_back(s.kept ? 1 : 0);
    exposure.push_back(s.exposure_s.value_or(none));
    fwhm.push_back(s.fwhm_px.value_or(none));
    ellipticity.push_back(s.ellipticity.value_or(none));
    sky.push_back(s.sky_per_s.value_or(none));
    noise.push_back(s.noise_per_px.value_or(none));
    transparency.push_back(s.transparency.value_or(none));
    weight.push_back(s.weight.value_or(none));
    residual.push_back(s.residual_px.value_or(none));
  }
  table.columns = {{"PATH", "", path},
                   {"KEPT", "", kept},
                   {"REASON", "", reason},
                   {"START", "", start},
                   {"EXPOSURE", "s", exposure},
                   {"FWHM", "pix", fwhm},
                   {"ELLIPTICITY", "", ellipticity},
                   {"SKY", "", sky},
                   {"NOISE", "", noise},
                   {"TRANSPARENCY", "", transparency},
                   {"WEIGHT", "", weight},
                   {"RESIDUAL", "pix", residual}};
  return table;
}

}  // namespace coldframe::session
