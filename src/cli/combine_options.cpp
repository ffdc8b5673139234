#include "combine_options.hpp"

#include <map>

namespace coldframe::cli {
namespace {

const std::map<std::string, stack::Rejection> rules{{"noise-model", stack::Rejection::noise_model},
                                                    {"kappa-sigma", stack::Rejection::kappa_sigma},
                                                    {"winsorised", stack::Rejection::winsorised},
                                                    {"esd", stack::Rejection::esd},
                                                    {"none", stack::Rejection::none}};
const std::map<std::string, stack::Weighting> weightings{
    {"inverse-variance", stack::Weighting::inverse_variance},
    {"point-source", stack::Weighting::point_source},
    {"equal", stack::Weighting::equal}};
const std::map<std::string, stack::SkyMatching> matchings{{"none", stack::SkyMatching::none},
                                                          {"level", stack::SkyMatching::level},
                                                          {"surface", stack::SkyMatching::surface}};
const std::map<std::string, session::CanvasChoice> canvases{
    {"reference", session::CanvasChoice::reference},
    {"common", session::CanvasChoice::common},
    {"all", session::CanvasChoice::all}};
const std::map<std::string, align::Kernel> kernels{{"lanczos3", align::Kernel::lanczos3},
                                                   {"bicubic", align::Kernel::bicubic},
                                                   {"bilinear", align::Kernel::bilinear}};

const std::map<std::string, sensor::Demosaic> methods{
    {"own-lattice", sensor::Demosaic::own_lattice},
    {"lmmse", sensor::Demosaic::lmmse},
    {"gradient-corrected", sensor::Demosaic::gradient_corrected},
    {"bilinear", sensor::Demosaic::bilinear},
    {"half-size", sensor::Demosaic::half_size}};

const std::map<std::string, session::ParticleSearch> particle_searches{
    {"auto", session::ParticleSearch::automatic},
    {"always", session::ParticleSearch::always},
    {"never", session::ParticleSearch::never}};

template <typename Map>
std::vector<std::string> names(const Map& map) {
  std::vector<std::string> list;
  for (const auto& [name, value] : map) list.push_back(name);
  return list;
}

}  // namespace

std::vector<std::string> demosaic_names() { return names(methods); }
sensor::Demosaic demosaic_of(const std::string& name) { return methods.at(name); }

void add_combine_options(CLI::App& app, CombineTexts& texts, session::RunOptions& run) {
  app.add_option("--reference", run.reference,
                 "Sub that sets the grid, by name; default: the most promising");
  app.add_option(
         "--rejection", texts.rule,
         "How outliers are found. noise-model: each sample against the robust centre with its own "
         "predicted noise, sound from 3 subs; kappa-sigma: clipping with a robust scale, when the "
         "noise "
         "is not known; winsorised: the same with limits drawn in; esd: generalised extreme "
         "Studentised "
         "deviate (Rosner 1983), for many subs; none")
      ->check(CLI::IsMember(names(rules)))
      ->capture_default_str();
  app.add_option("--kappa-low", run.combine.kappa_low,
                 "Limit below the centre, standard deviations")
      ->check(CLI::Range(0.5, 100.0))
      ->capture_default_str();
  app.add_option("--kappa-high", run.combine.kappa_high,
                 "Limit above the centre, standard deviations")
      ->check(CLI::Range(0.5, 100.0))
      ->capture_default_str();
  app.add_option(
         "--weights", texts.weights,
         "inverse-variance: best for extended light; point-source: favours sharp subs; equal")
      ->check(CLI::IsMember(names(weightings)))
      ->capture_default_str();
  app.add_option("--weights-file", texts.weights_file,
                 "Table of your own weights, one 'path,weight' per line, instead of --weights; 0 "
                 "leaves a sub out");
  app.add_option("--sky-matching", texts.sky,
                 "How skies of subs are brought together: a smooth surface, a level, or none")
      ->check(CLI::IsMember(names(matchings)))
      ->capture_default_str();
  app.add_option("--canvas", texts.canvas,
                 "Field of the result. reference: the reference sub's own; common: the largest "
                 "rectangle that every kept sub covers; all: everything that any kept sub shows")
      ->check(CLI::IsMember(names(canvases)))
      ->capture_default_str();
  app.add_option("--scale", run.canvas.scale,
                 "Result pixels per pixel of the reference sub, along one axis")
      ->check(CLI::Range(0.1, 4.0))
      ->capture_default_str();
  app.add_option("--drizzle", run.drizzle_scale,
                 "Also drizzle the subs on a grid this many times finer (1 to 3), as "
                 "NAME_drizzle.fits: sharper where stars are undersampled and dithers many; colour "
                 "mosaics straight from their own samples. Neighbouring pixels share noise")
      ->check(CLI::Range(1.0, 3.0));
  app.add_option(
         "--drop-size", run.drop_size,
         "Side of the drop that a pixel becomes in drizzling, in pixels of the sub. Smaller is "
         "sharper and wants more subs. Default: 0.7 on the sub's grid, down to 0.5 on one twice "
         "as fine; 0.7 straight from a colour mosaic")
      ->check(CLI::Range(0.05, 1.0));
  app.add_option("--kernel", texts.kernel, "Resampling kernel")
      ->check(CLI::IsMember(names(kernels)))
      ->capture_default_str();
  app.add_option("--demosaic", texts.demosaic,
                 "How colours of a mosaic are filled in. own-lattice: each colour from its own "
                 "samples alone; lmmse: fine structure from all colours, narrower stars in red and "
                 "blue, slower; gradient-corrected: the same, simpler; bilinear: mean of the "
                 "nearest samples, calm but wider stars; half-size: each cell of four becomes one "
                 "pixel, for oversampled or very large frames")
      ->check(CLI::IsMember(demosaic_names()))
      ->capture_default_str();
  app.add_option("--lines", texts.lines,
                 "Two emission lines of a dual-band filter on a colour sensor, each as a result of "
                 "its own: names like Ha,OIII; auto: where the filter's name says so; none")
      ->capture_default_str();
  app.add_option("--crosstalk", texts.crosstalk,
                 "What red, green and blue record of each line: six numbers R1,R2,G1,G2,B1,B2 per "
                 "unit of line 1 and 2; default: a usual sensor's, 1,0.06,0.12,1,0.05,0.6");
  app.add_option(
         "--cosmic-rays", texts.particles,
         "Look for particle hits in each sub alone (van Dokkum 2001). auto: where 4 subs or "
         "fewer are combined, too few for a comparison; always; never")
      ->check(CLI::IsMember(names(particle_searches)))
      ->capture_default_str();
  app.add_option("--detection", run.detection_sigma, "Detection limit for stars, sigma")
      ->check(CLI::Range(2.0, 100.0))
      ->capture_default_str();
}

void apply(const CombineTexts& texts, session::RunOptions& run) {
  run.combine.rule = rules.at(texts.rule);
  run.weighting = weightings.at(texts.weights);
  if (!texts.weights_file.empty()) {
    run.weighting = stack::Weighting::owner;
    run.owner_weights = session::read_owner_weights(texts.weights_file);
  }
  run.sky_matching = matchings.at(texts.sky);
  run.canvas.choice = canvases.at(texts.canvas);
  run.resample.kernel = kernels.at(texts.kernel);
  run.demosaic = demosaic_of(texts.demosaic);
  run.lines = session::line_options(texts.lines, texts.crosstalk);
  run.particles = particle_searches.at(texts.particles);
}

}  // namespace coldframe::cli
