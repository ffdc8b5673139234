#include "given_transforms.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "chain_registration.hpp"
#include "coldframe/core/error.hpp"
#include "transforms_file.hpp"

namespace coldframe::session {
namespace fs = std::filesystem;
namespace {

std::vector<SubState*> subs_of(std::span<GroupState* const> groups) {
  std::vector<SubState*> subs;
  for (auto* group : groups) {
    for (auto& sub : group->subs) subs.push_back(&sub);
  }
  return subs;
}

std::vector<fs::path> paths_of(const std::vector<SubState*>& subs) {
  std::vector<fs::path> paths;
  for (const auto* sub : subs) paths.push_back(sub->path);
  return paths;
}

bool is_reference(const RegisteredFile* row, const RegisterOutcome& known) {
  return row != nullptr && row->file == known.reference;
}

// The reference lies on its own grid: anything else is a file put together wrongly.
bool rests(const Transform& transform, Size frame) {
  constexpr double unseen_px = 1e-3;
  const double right = frame.width - 1, top = frame.height - 1;
  for (const Point corner : {Point{0, 0}, Point{right, 0}, Point{0, top}, Point{right, top}}) {
    const Point p = transform.apply(corner);
    if (!(std::hypot(p.x - corner.x, p.y - corner.y) < unseen_px)) return false;
  }
  return true;
}

[[noreturn]] void refuse_reference(const fs::path& file, const std::string& reference,
                                   const char* fault) {
  throw Error(ErrorKind::usage, file.string(),
              fmt::format("has the reference {}, which {}", reference, fault),
              "name the reference among the files, or register anew");
}

}  // namespace

GivenTransforms::GivenTransforms(fs::path file)
    : file_(std::move(file)), known_(read_transforms(file_)) {}

std::size_t GivenTransforms::reference_among(std::span<const fs::path> files) const {
  const auto rows = rows_of_files(known_, files);
  const auto there = std::find_if(rows.begin(), rows.end(), [&](const RegisteredFile* row) {
    return is_reference(row, known_);
  });
  if (there == rows.end()) refuse_reference(file_, known_.reference, "is not among the lights");
  return static_cast<std::size_t>(there - rows.begin());
}

bool GivenTransforms::concern(std::span<GroupState* const> groups) const {
  const auto rows = rows_of_files(known_, paths_of(subs_of(groups)));
  return std::any_of(rows.begin(), rows.end(),
                     [&](const RegisteredFile* row) { return is_reference(row, known_); });
}

const SubState& GivenTransforms::hand_out(std::span<GroupState* const> groups) const {
  const auto subs = subs_of(groups);
  const auto rows = rows_of_files(known_, paths_of(subs));
  const SubState* reference = nullptr;
  for (std::size_t i = 0; i < subs.size(); ++i) {
    if (is_reference(rows[i], known_)) reference = subs[i];
    if (rows[i] != nullptr && rows[i]->fault.empty()) subs[i]->given = rows[i]->match;
  }
  if (reference == nullptr || !reference->usable) {
    refuse_reference(file_, known_.reference, "is not among the usable files");
  }
  if (!(reference->measured.frame == known_.canvas)) {
    refuse_reference(file_, known_.reference, "has another size here");
  }
  const bool at_rest = reference->given && rests(reference->given->transform, known_.canvas);
  if (!at_rest) refuse_reference(file_, known_.reference, "it moves off its own grid");
  return *reference;
}

std::vector<std::string> GivenTransforms::strangers(std::span<const fs::path> files) const {
  const auto rows = rows_of_files(known_, files);
  std::vector<std::string> names;
  for (const auto& row : known_.files) {
    const bool found = std::find(rows.begin(), rows.end(), &row) != rows.end();
    if (!found && row.fault.empty()) names.push_back(row.file);
  }
  return names;
}

void take_given(SubState& sub, const SubState& reference) {
  sub.match = *sub.given;
  sub.match.pairs =
      pairs_by_place(sub.measured.stars, reference.measured.stars, sub.match.transform);
}

}  // namespace coldframe::session
