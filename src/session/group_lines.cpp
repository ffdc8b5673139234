#include "group_lines.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/core/statistics.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/image_file.hpp"
#include "digest.hpp"
#include "group_grid.hpp"
#include "line_names.hpp"
#include "preview.hpp"
#include "stage_clock.hpp"
#include "strips.hpp"

namespace coldframe::session {
namespace {

using LineNames = std::array<std::string, 2>;

/// Why a group has no two lines; empty: it has.
struct LineChoice {
  LineNames names;
  std::string why_not;
};

LineChoice choose_lines(const LineOptions& options, const std::string& filter, bool mosaic) {
  LineChoice choice{options.names, ""};
  const auto sense = lines_of_filter(filter);
  if (!mosaic) {
    choice.why_not = "the camera is monochrome";
  } else if (sense.kind == FilterLines::Kind::other) {
    choice.why_not = fmt::format("filter {} is not dual-band", filter);
  } else if (options.choice == LineOptions::Choice::automatic) {
    if (sense.kind == FilterLines::Kind::unknown) choice.why_not = "filter not known as dual-band";
    choice.names = sense.lines;
  } else if (sense.kind == FilterLines::Kind::two && sense.lines != options.names &&
             sense.lines != LineNames{options.names[1], options.names[0]}) {
    choice.why_not =
        fmt::format("filter {} passes {} and {}", filter, sense.lines[0], sense.lines[1]);
  }
  if (choice.why_not.empty() && !options.crosstalk && !usual_crosstalk_holds(choice.names)) {
    choice.why_not = fmt::format("no usual crosstalk is known for {} and {}: give --crosstalk",
                                 choice.names[0], choice.names[1]);
  }
  return choice;
}

[[noreturn]] void refuse(const LineOptions& options, const std::string& reasons) {
  throw Error(ErrorKind::usage, "",
              fmt::format("the lines {} and {} cannot be separated: {}", options.names[0],
                          options.names[1], reasons),
              "leave --lines out, or supply the filter's name if it is wrong (--supply "
              "FILTER=Ha+OIII)");
}

struct Source {
  std::unique_ptr<fits::ImageFile> values, errors;
  explicit Source(const std::filesystem::path& path)
      : values(fits::ImageFile::open(path)), errors(fits::ImageFile::open(path, "UNCERT")) {}
};

Header line_header(const Header& of_colours, const std::string& line, std::size_t index,
                   const LineRecord& facts) {
  Header header = of_colours;
  // Magnitudes of the colour result say nothing of a line.
  for (const char* magnitude : {"MAGZERO", "MAGZERR", "MAGZSCAT", "MAGZN", "MAGBAND", "MAGCTERM",
                                "MAGCTERR", "MAGCPIV", "MAGCOL", "SKYMAG", "MAGLIM", "SBLIM"}) {
    header.remove(magnitude);
  }
  header.set("FILTER", std::string_view(line));
  header.set("CFDUAL", std::string_view(facts.filter), "filter whose lines were separated");
  header.set("CFXTSRC", std::string_view(facts.source), "where the crosstalk comes from");
  header.set("CFXTCOND", facts.condition, "condition of the crosstalk matrix");
  header.set("CFXTCORR", facts.error_correlation, "correlation of the two lines' errors");
  constexpr const char* colours[3] = {"red", "green", "blue"};
  for (std::size_t c = 0; c < 3; ++c) {
    for (std::size_t k = 0; k < 2; ++k) {
      header.set(fmt::format("CFXT{}{}", c + 1, k + 1), facts.crosstalk.response[c][k],
                 fmt::format("{} per unit of {}", colours[c], facts.names[k]));
    }
  }
  header.history(
      fmt::format("line {} of two, by weighted least squares from red, green, blue", index + 1));
  return header;
}

struct LineFile {
  fits::FileWriter writer;
  int values, errors, mask;
  std::vector<double> sampled;
  LineFile(const std::filesystem::path& path, const Source& source, const Header& header)
      : writer(path) {
    const Size size = source.values->size();
    values = writer.add_image({"", size, 1, fits::SampleType::float32}, header);
    Header uncert;
    uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
    for (const auto& card : source.errors->header().cards()) {
      if (card.keyword == "NOISCORR" || card.keyword.starts_with("NOISC0")) uncert.add(card);
    }
    errors = writer.add_image({"UNCERT", size, 1, fits::SampleType::float32}, uncert);
    mask = writer.add_image({"MASK", size, 1, fits::SampleType::uint8}, {});
  }
  void write(int y0, const Grid<float>& line, const Grid<float>& sd) {
    Mask bad(line.size());
    for (int y = 0; y < line.height(); ++y) {
      for (int x = 0; x < line.width(); ++x) {
        bad(x, y) = std::isfinite(line(x, y)) ? 0 : 1;
        const bool sample = (y0 + y) % 16 == 0 && x % 16 == 0;
        if (sample && bad(x, y) == 0) sampled.push_back(static_cast<double>(sd(x, y)));
      }
    }
    writer.write_rows(values, 0, y0, line.cview());
    writer.write_rows(errors, 0, y0, sd.cview());
    writer.write_rows(mask, 0, y0, bad.cview());
  }
};

/// Median noise of both lines.
std::array<double, 2> write_lines(const Source& source, const LineRecord& facts,
                                  const std::array<std::filesystem::path, 2>& paths,
                                  Threads threads) {
  const Header of_colours = source.values->header();
  std::vector<std::unique_ptr<LineFile>> files;
  for (std::size_t k = 0; k < 2; ++k) {
    files.push_back(std::make_unique<LineFile>(paths[k], source,
                                               line_header(of_colours, facts.names[k], k, facts)));
  }
  const Size size = source.values->size();
  for_strips(size, [&](const Rect& band) {
    Grid<float> value[3], sd[3], line[2], line_sd[2];
    for (int c = 0; c < 3; ++c) {
      value[c] = Grid<float>(band.size());
      sd[c] = Grid<float>(band.size());
      source.values->fill(c, band, value[c].view());
      source.errors->fill(c, band, sd[c].view());
    }
    for (int k = 0; k < 2; ++k) {
      line[k] = Grid<float>(band.size());
      line_sd[k] = Grid<float>(band.size());
    }
    parallel_bands(threads, band.height(), 32, [&](int a, int b) {
      const Rect part{0, a, band.width(), b};
      sensor::LineBand rows;
      for (int c = 0; c < 3; ++c) {
        rows.value[c] = value[c].cview().crop(part);
        rows.sd[c] = sd[c].cview().crop(part);
      }
      for (int k = 0; k < 2; ++k) {
        rows.line[k] = line[k].view().crop(part);
        rows.line_sd[k] = line_sd[k].view().crop(part);
      }
      sensor::separate_lines(rows, facts.crosstalk);
    });
    for (std::size_t k = 0; k < 2; ++k) files[k]->write(band.y0, line[k], line_sd[k]);
  });
  std::array<double, 2> noise{};
  for (std::size_t k = 0; k < 2; ++k) {
    if (!files[k]->sampled.empty()) noise[k] = median(files[k]->sampled);
    files[k]->writer.commit();
  }
  return noise;
}

/// Usual errors of the three colours of a result.
std::array<double, 3> usual_errors(const Source& source) {
  std::array<double, 3> sd{};
  const Size size = source.errors->size();
  for (int p = 0; p < 3; ++p) {
    std::vector<double> sampled;
    for (int y = 0; y < size.height; y += 32) {
      Grid<float> row(size.width, 1);
      source.errors->fill(p, {0, y, size.width, y + 1}, row.view());
      for (int x = 0; x < size.width; x += 8) {
        if (std::isfinite(row(x, 0))) sampled.push_back(static_cast<double>(row(x, 0)));
      }
    }
    if (!sampled.empty()) sd[static_cast<std::size_t>(p)] = median(sampled);
  }
  return sd;
}

LineRecord line_facts(const LineOptions& options, const LineNames& names, const std::string& filter,
                      const Source& source) {
  LineRecord facts;
  facts.filter = filter;
  facts.names = names;
  facts.crosstalk = options.crosstalk.value_or(sensor::Crosstalk::usual());
  facts.source = options.crosstalk ? "owner" : "assumed";
  facts.condition = facts.crosstalk.condition();
  facts.error_correlation = sensor::line_correlation(facts.crosstalk, usual_errors(source));
  return facts;
}

void warn_of_assumed(const LineRecord& facts, const std::string& path, SessionRecord& record) {
  if (facts.source == "owner") return;
  const auto& m = facts.crosstalk.response;
  record.warnings.push_back(
      {"crosstalk-assumed",
       fmt::format("{} and {} were separated with the crosstalk of a usual colour sensor ({}: {}, "
                   "{}, {}; {}: {}, {}, {} in red, green, blue); a share of some 5 % of one line "
                   "may be left in the other: give your sensor's with --crosstalk",
                   facts.names[0], facts.names[1], facts.names[0], m[0][0], m[1][0], m[2][0],
                   facts.names[1], m[0][1], m[1][1], m[2][1]),
       {path}});
}

}  // namespace

void check_lines(const LineOptions& lines, const Inventory& inventory, const Pairing& pairing) {
  if (lines.choice != LineOptions::Choice::named) return;
  std::string reasons;
  for (const auto& group : pairing.groups) {
    const bool mosaic = std::any_of(group.lights.begin(), group.lights.end(), [&](std::size_t i) {
      return inventory.frames[i].info.cfa != CfaPattern::none;
    });
    const auto choice = choose_lines(lines, group.filter, mosaic);
    if (choice.why_not.empty()) return;
    reasons += fmt::format("{}{}{}{}: {}", reasons.empty() ? "" : "; ", group.object,
                           group.filter.empty() ? "" : " ", group.filter, choice.why_not);
  }
  refuse(lines, reasons);
}

void check_lines(const LineOptions& lines, const GroupState& group) {
  if (lines.choice != LineOptions::Choice::named) return;
  const auto choice = choose_lines(lines, group.filter, group.planes == 3);
  if (!choice.why_not.empty()) refuse(lines, choice.why_not);
}

void separate_group_lines(const GroupState& group, CombineContext& context, int result) {
  const auto& options = context.options;
  if (options.lines.choice == LineOptions::Choice::off) return;
  const auto choice = choose_lines(options.lines, group.filter, group.planes == 3);
  if (!choice.why_not.empty()) return;
  const ResultRecord parent = context.record.results[static_cast<std::size_t>(result)];
  if (sensor::mixes_colours(options.demosaic) && has_mosaic(group)) {
    context.record.warnings.push_back(
        {"lines-not-separated",
         fmt::format("the two lines of filter {} were not separated: {} takes one colour's "
                     "structure from the others; use --demosaic own-lattice",
                     group.filter, sensor::to_string(options.demosaic)),
         {parent.path}});
    return;
  }
  const StageClock clock(context.record.timings, "lines");
  const auto& out = options.out;
  const Source source(out / parent.path);
  const LineRecord facts = line_facts(options.lines, choice.names, group.filter, source);
  const auto paths_for = [&](const char* ending) {
    std::array<std::string, 2> names;
    for (std::size_t k = 0; k < 2; ++k) {
      names[k] =
          fmt::format("{}_{}{}", context.result_name, safe_file_name(choice.names[k]), ending);
    }
    return names;
  };
  const auto plain = paths_for(".fits");
  const auto noise = write_lines(source, facts, {out / plain[0], out / plain[1]}, options.threads);
  const auto flat = paths_for("_flat-sky.fits");
  if (!parent.flat_sky_path.empty()) {
    static_cast<void>(write_lines(Source(out / parent.flat_sky_path), facts,
                                  {out / flat[0], out / flat[1]}, options.threads));
  }
  const auto previews = paths_for(".png");
  for (std::size_t k = 0; k < 2; ++k) {
    ResultRecord row = parent;
    row.filter = choice.names[k];
    row.planes = 1;
    row.path = plain[k];
    row.flat_sky_path = parent.flat_sky_path.empty() ? "" : flat[k];
    row.preview = previews[k];
    row.noise_per_px = noise[k];
    row.fwhm_px.reset();
    row.fwhm_arcsec.reset();
    row.drizzle_path.clear();
    row.drizzle_fwhm_px.reset();
    row.drizzle_noise_correlation.reset();
    if (row.solved) row.solved->depth = {};
    row.photometry_path.clear();
    row.extinction.reset();
    row.colour_balance.reset();
    row.lines = facts;
    row.lines->from = parent.path;
    write_preview(out / (row.flat_sky_path.empty() ? row.path : row.flat_sky_path),
                  out / row.preview);
    context.record.results.push_back(std::move(row));
  }
  warn_of_assumed(facts, parent.path, context.record);
}

}  // namespace coldframe::session
