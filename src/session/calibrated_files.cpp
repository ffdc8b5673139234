#include "calibrated_files.hpp"

#include <algorithm>
#include <atomic>
#include <limits>
#include <mutex>
#include <utility>

#include "coldframe/core/error.hpp"
#include "coldframe/fits/file_writer.hpp"
#include "coldframe/pipeline/calibrated_band.hpp"

namespace coldframe::session {
namespace {

constexpr std::size_t together = 4;   // frames that share one look at the masters
constexpr int band_pixels = 3 << 16;  // about what a processor's second cache holds
constexpr int least_rows = 16;        // the margins are read twice

int rows_of_band(Size size) noexcept {
  return std::clamp(band_pixels / std::max(size.width, 1), least_rows,
                    std::max(size.height, 1) + 16);
}

}  // namespace

struct CalibratedFiles::Open {
  explicit Open(CalibratedFile&& from) : file(std::move(from)), writer(file.out) {
    const Size size = file.source->size();
    const int planes = file.source->planes();
    values = writer.add_image({"", size, planes, fits::SampleType::float32}, file.header);
    if (file.values_only) return;
    Header uncert;
    uncert.set("UTYPE", "StdDevUncertainty", "as astropy's CCDData understands it");
    error = writer.add_image({"UNCERT", size, planes, fits::SampleType::float32}, uncert);
    mask = writer.add_image({"MASK", size, planes, fits::SampleType::uint8}, {});
  }

  /// The fault of the lowest band is told, whatever came first.
  void fail(int band, const Error& fault) {
    const std::scoped_lock lock(mutex);
    if (band >= failed_band) return;
    failed_band = band;
    why = fault.what();
    failed = true;
  }

  CalibratedFile file;
  fits::FileWriter writer;
  int values = 0;
  int error = 0;
  int mask = 0;
  std::mutex mutex;
  std::atomic<bool> failed{false};
  int failed_band = std::numeric_limits<int>::max();
  std::string why;
};

/// Buffers that threads borrow.
struct CalibratedFiles::Scratch {
  using Band = std::unique_ptr<pipeline::CalibratedBand>;
  Band take() {
    const std::scoped_lock lock(mutex);
    if (bands.empty()) return std::make_unique<pipeline::CalibratedBand>();
    Band band = std::move(bands.back());
    bands.pop_back();
    return band;
  }
  void give(Band band) {
    const std::scoped_lock lock(mutex);
    bands.push_back(std::move(band));
  }
  std::mutex mutex;
  std::vector<Band> bands;
};

CalibratedFiles::CalibratedFiles(Threads threads)
    : threads_(threads), scratch_(std::make_unique<Scratch>()) {}
CalibratedFiles::~CalibratedFiles() = default;

bool CalibratedFiles::fits(const PixelSource& source,
                           const pipeline::Calibration& calibration) const noexcept {
  if (waiting_.empty()) return true;
  const auto& first = waiting_.front()->file;
  return waiting_.size() < together && first.source->size() == source.size() &&
         first.source->planes() == source.planes() && first.calibration.get() == &calibration;
}

void CalibratedFiles::add(CalibratedFile file) {
  waiting_.push_back(std::make_unique<Open>(std::move(file)));
}

void CalibratedFiles::write_band(Open& file, int band, Scratch& scratch) {
  if (file.failed) return;
  const auto& source = *file.file.source;
  const Size size = source.size();
  const int rows = rows_of_band(size);
  const int bands = (size.height + rows - 1) / rows;
  const int plane = band / bands;
  const int y0 = band % bands * rows;
  const Rect rect{0, y0, size.width, std::min(y0 + rows, size.height)};
  auto pixels = scratch.take();
  try {
    if (file.file.values_only) {
      pixels->read(source, *file.file.calibration, rect, plane);
    } else {
      pixels->read_with_error(source, *file.file.calibration, rect, plane);
    }
  } catch (const Error& fault) {
    if (fault.kind() != ErrorKind::input) throw;
    file.fail(band, fault);
    return;
  }
  file.writer.write_rows(file.values, plane, y0, pixels->values());
  if (!file.file.values_only) {
    file.writer.write_rows(file.error, plane, y0, pixels->error());
    file.writer.write_rows(file.mask, plane, y0, pixels->mask());
  }
  scratch.give(std::move(pixels));
}

void CalibratedFiles::commit(Open& file) {
  file.file.source.reset();
  if (!file.failed) file.writer.commit();
}

std::vector<WrittenFile> CalibratedFiles::take_finished() {
  std::vector<WrittenFile> finished;
  for (const auto& file : written_) finished.push_back({file->file.number, file->why});
  written_.clear();
  return finished;
}

std::vector<WrittenFile> CalibratedFiles::write() {
  if (waiting_.empty()) return {};
  const auto& source = *waiting_.front()->file.source;
  const Size size = source.size();
  const int rows = rows_of_band(size);
  const auto bands = static_cast<std::size_t>((size.height + rows - 1) / rows * source.planes());
  const std::size_t jobs = bands * waiting_.size();
  // Waiting for the disk is spread over the work, so that somebody always computes.
  const std::size_t commits = written_.size();
  const std::size_t gap = jobs / (commits + 1) + 1;
  parallel_for(threads_, jobs + commits, [&](std::size_t i) {
    const std::size_t before = std::min((i + gap - 1) / gap, commits);  // commits below i
    if (i % gap == 0 && i / gap < commits) {
      commit(*written_[i / gap]);
    } else {
      const std::size_t job = i - before;
      write_band(*waiting_[job % waiting_.size()], static_cast<int>(job / waiting_.size()),
                 *scratch_);
    }
  });
  auto finished = take_finished();
  written_ = std::move(waiting_);
  waiting_.clear();
  return finished;
}

std::vector<WrittenFile> CalibratedFiles::finish() {
  auto finished = write();
  parallel_for(threads_, written_.size(), [&](std::size_t i) { commit(*written_[i]); });
  for (auto& last : take_finished()) finished.push_back(std::move(last));
  return finished;
}

}  // namespace coldframe::session
