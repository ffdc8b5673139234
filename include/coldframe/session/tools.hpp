/// \file
/// The single steps of the job as commands on files.
#pragma once

#include <array>
#include <filesystem>
#include <string>
#include <vector>

#include "coldframe/align/match.hpp"
#include "coldframe/core/interrupt.hpp"
#include "coldframe/pipeline/measure_pass.hpp"
#include "coldframe/sensor/masters.hpp"
#include "coldframe/session/options.hpp"
#include "coldframe/session/pairing.hpp"
#include "coldframe/session/record.hpp"
#include "coldframe/session/render.hpp"
#include "coldframe/view/picture.hpp"

namespace coldframe::session {

using Paths = std::vector<std::filesystem::path>;

/// Survey: inventory and pairing as text for people and JSON for programs. `masters`: folder of
/// ready masters, or empty.
struct Survey {
  Inventory inventory;
  Pairing pairing;
};
[[nodiscard]] Survey survey_session(const std::vector<std::filesystem::path>& sessions,
                                    const std::vector<SuppliedCard>& supplied,
                                    const MatchTolerances& tolerances,
                                    const std::filesystem::path& masters, Threads threads,
                                    const Watch& watch);
[[nodiscard]] std::string survey_json(const Survey& survey);
[[nodiscard]] std::string survey_text(const Survey& survey);

struct MasterJob {
  sensor::MasterKind kind = sensor::MasterKind::dark;
  Paths files;
  std::filesystem::path subtract;  ///< flats: master dark or bias; empty: none
  std::filesystem::path out;
  std::vector<SuppliedCard> supplied;
  sensor::MasterOptions options;
  Threads threads;
};
struct MasterOutcome {
  MasterRecord record;
  std::vector<std::string> done;  ///< what else was done, no fault
  double level_adu = 0.0;
  double frame_noise_adu = 0.0;
  std::vector<LeftOut> left_out;
};
[[nodiscard]] MasterOutcome make_master(const MasterJob& job, const Watch& watch);

struct CalibrateJob {
  Paths files;
  /// Masters; empty: none. With bias and dark the dark's rate is scaled where exposures differ.
  std::filesystem::path bias, dark, flat;
  std::filesystem::path out;  ///< folder
  std::vector<SuppliedCard> supplied;
  std::optional<double> gain_e_per_adu, saturation_adu;
  /// Mosaics become three planes; unset: they stay mosaics. A frame without a colour pattern then
  /// cannot be used.
  std::optional<sensor::Demosaic> demosaic;
  bool values_only = false;  ///< mosaics and mono frames without their uncertainty and mask
  Threads threads;
};
struct FileOutcome {
  std::string file;
  std::string written;  ///< empty: left out
  std::string why;
  std::string note;  ///< something to know of what was written
};
[[nodiscard]] std::vector<FileOutcome> calibrate_files(const CalibrateJob& job, const Watch& watch);

struct MeasuredFile {
  std::string file;
  FrameInfo info;
  pipeline::SubMeasurement measurement;
  stars::FieldShape field;
  std::array<int, star_classes> classes{};  ///< how many of each class were seen
  std::optional<double> airmass;            ///< from place and time, else the header's
  std::string fault;                        ///< not empty: not measured
  bool missing = false;                     ///< nothing stands under this name
};
/// Measures files as they are (calibrated or not), several at once. With `out`, a FITS table and a
/// CSV per file (and the same as JSON with `json_tables`): stars first, then all else that was
/// seen, with a class per row. A file that cannot be used has its fault in its row and costs the
/// others nothing.
[[nodiscard]] std::vector<MeasuredFile> measure_files(const Paths& files,
                                                      const std::filesystem::path& out,
                                                      double detection_sigma,
                                                      const std::vector<SuppliedCard>& supplied,
                                                      Threads threads, const Watch& watch,
                                                      bool json_tables = false);

struct RegisteredFile {
  std::string file;
  align::MatchResult match;
  std::vector<align::ResidualVector> residuals;
  std::string through;  ///< file that led to the reference; empty: matched itself
  std::string fault;
};
struct RegisterOutcome {
  std::string reference;
  Size canvas;
  std::vector<RegisteredFile> files;
  align::DistortionFit distortion;
};
struct RegisterJob {
  Paths files;
  std::string reference;                ///< file that sets the grid; empty: chosen
  std::filesystem::path transforms;     ///< as JSON, in place of matching; empty: match
  std::filesystem::path resample_into;  ///< folder for frames on the reference's grid; empty: none
  align::ResampleOptions resample;
  Threads threads;
};
[[nodiscard]] RegisterOutcome register_files(const RegisterJob& job, const Watch& watch);
[[nodiscard]] std::string transforms_json(const RegisterOutcome& outcome);
/// What `transforms_json` tells. Throws Error(usage) that names the fault.
[[nodiscard]] RegisterOutcome read_transforms(const std::filesystem::path& path);

void write_transforms(const RegisterOutcome& outcome, const std::filesystem::path& out);

/// Names from a text file, one per line; lines that start with '#' do not count.
/// Throws Error(usage) when it holds none.
[[nodiscard]] std::vector<std::string> read_name_list(const std::filesystem::path& path);

/// Combines calibrated files into one; `aligned`: they lie on one grid already.
struct IntegrateJob {
  Paths files;
  std::filesystem::path out;
  bool aligned = false;
  std::filesystem::path transforms;  ///< as JSON, in place of matching; empty: match
  RunOptions options;
};
[[nodiscard]] SessionRecord integrate_files(const IntegrateJob& job, const Watch& watch);

/// Writes a session from a scene file: frames, truth.json, catalogue.csv, .truth/truth.fits.
[[nodiscard]] std::size_t simulate_session(const std::filesystem::path& scene,
                                           const std::filesystem::path& out, Threads threads,
                                           const Watch& watch);

struct VerifiedFile {
  std::string file;
  bool readable = false;
  bool checksums_wrong = false;
  bool checksums_absent = false;
  std::string detail;
};
[[nodiscard]] std::vector<VerifiedFile> verify_files(const Paths& files, Threads threads);

}  // namespace coldframe::session
