#include "set_ups.hpp"

#include <cmath>
#include <optional>

namespace coldframe::session {
namespace {

struct SetUp {
  const FrameInfo* info = nullptr;
  Size frame;
  std::optional<double> scale;  ///< reference pixels per pixel, negative when mirrored
};

SetUp seen(const SetUpMember& member) {
  SetUp set_up{member.info, member.frame, {}};
  if (member.to_reference == nullptr) return set_up;
  const Point middle{0.5 * (member.frame.width - 1), 0.5 * (member.frame.height - 1)};
  const double det = member.to_reference->local(middle).determinant();
  set_up.scale = std::copysign(std::sqrt(std::fabs(det)), det);
  return set_up;
}

bool near(double a, double b, double tolerance) { return std::fabs(a / b - 1.0) <= tolerance; }

bool alike(const SetUp& a, const SetUp& b) {
  if (!(a.frame == b.frame)) return false;
  constexpr double same_scale = 0.004;
  if (a.scale && b.scale && !near(*a.scale, *b.scale, same_scale)) return false;
  if (a.info == nullptr || b.info == nullptr) return true;
  constexpr double same_focal_length = 0.02;
  const auto &f = a.info->focal_length_mm, &g = b.info->focal_length_mm;
  return a.info->camera == b.info->camera && a.info->telescope == b.info->telescope &&
         a.info->binning_x == b.info->binning_x &&
         (!f || !g || !(*g > 0.0) || near(*f, *g, same_focal_length));
}

}  // namespace

SetUps sort_by_set_up(std::span<const SetUpMember> members) {
  SetUps result;
  result.of.assign(members.size(), 0);
  std::vector<SetUp> known;
  const auto place = [&](std::size_t i) {
    const SetUp set_up = seen(members[i]);
    std::size_t k = 0;
    while (k < known.size() && !alike(known[k], set_up)) ++k;
    if (k == known.size()) {
      known.push_back(set_up);
      result.frames.push_back(set_up.frame);
    }
    result.of[i] = k;
  };
  // What the match shows is better than what headers say: matched members found the set-ups.
  for (std::size_t i = 0; i < members.size(); ++i) {
    if (i == 0 || members[i].to_reference != nullptr) place(i);
  }
  for (std::size_t i = 1; i < members.size(); ++i) {
    if (members[i].to_reference == nullptr) place(i);
  }
  return result;
}

}  // namespace coldframe::session
