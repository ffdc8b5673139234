#include <fmt/format.h>

#include <atomic>
#include <cmath>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/fits/folder_lock.hpp"
#include "coldframe/session/tools.hpp"
#include "coldframe/sim/render.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

void write_frame(const sim::Simulator& simulator, const sim::FramePlan& frame, const fs::path& out,
                 Threads threads) {
  const auto codes = simulator.render(frame, threads);
  const fs::path path = out / frame.path;
  fits::FileWriter writer(path);
  const int hdu =
      writer.add_image({"", codes.size(), 1, fits::SampleType::uint16}, simulator.header(frame));
  writer.write_rows(hdu, 0, 0, codes.cview());
  writer.commit();
}

void write_truth_tables(const sim::Simulator& simulator, const fs::path& path) {
  fits::FileWriter writer(path);
  Header header;
  header.history("truth of a simulated session; positions count from 1");
  const auto flat = simulator.flat_response();
  const int response = writer.add_image({"", flat.size(), 1, fits::SampleType::float32}, header);
  const auto dark = simulator.dark_rate();
  Header dark_header;
  dark_header.set("BUNIT", "electron/s");
  const int rate =
      writer.add_image({"DARKRATE", dark.size(), 1, fits::SampleType::float32}, dark_header);
  writer.write_rows(response, 0, 0, flat);
  writer.write_rows(rate, 0, 0, dark);
  fits::Table stars;
  stars.name = "STARS";
  std::vector<double> x, y, flux;
  std::vector<std::int32_t> cluster;
  for (const auto& star : simulator.truth().stars) {
    x.push_back(star.x + 1.0);
    y.push_back(star.y + 1.0);
    flux.push_back(star.flux_e_per_s);
    cluster.push_back(star.cluster ? 1 : 0);
  }
  stars.columns = {
      {"X", "pix", x}, {"Y", "pix", y}, {"FLUX", "electron/s", flux}, {"CLUSTER", "", cluster}};
  writer.add_table(stars);
  writer.commit();
}

// The invented stars as an owner's catalogue would list them.
std::string catalogue_csv(const sim::Simulator& simulator) {
  std::string text =
      "# stars of a simulated session; color: index as the scene draws it, positive is red\n"
      "ra,dec,mag,color\n";
  for (const auto& star : simulator.truth().stars) {
    text += fmt::format("{:.8f},{:.8f},{:.4f},{:.4f}\n", star.ra_deg, star.dec_deg, star.magnitude,
                        5.0 * std::log10(star.colour[0]));
  }
  return text;
}

}  // namespace

std::size_t simulate_session(const fs::path& scene_path, const fs::path& out, Threads threads,
                             const Watch& watch) {
  const auto text = fits::read_text(scene_path);
  const sim::Simulator simulator(sim::parse_scene(text, scene_path.stem().string()));
  for (const auto& frame : simulator.frames()) fits::make_folder((out / frame.path).parent_path());
  fits::make_folder(out);
  std::atomic<std::size_t> done{0};
  const auto& frames = simulator.frames();
  parallel_for(threads, frames.size(), [&](std::size_t i) {
    watch.check();
    write_frame(simulator, frames[i], out, Threads{1});
    watch.report("simulate", done.fetch_add(1) + 1, frames.size());
  });
  fits::write_file_atomically(out / "truth.json", sim::truth_json(simulator));
  fits::write_file_atomically(out / "catalogue.csv", catalogue_csv(simulator));
  // Not among the frames: a hidden folder is passed over by the survey.
  fits::make_folder(out / ".truth");
  write_truth_tables(simulator, out / ".truth" / "truth.fits");
  return frames.size();
}

}  // namespace coldframe::session
