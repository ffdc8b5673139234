#include "trail_specks.hpp"

#include <algorithm>

namespace coldframe::stack::detail {
namespace {

constexpr float bright = 4.5F;  // one in 300,000 pixels of noise
constexpr float part = 3.0F;    // belongs to a bright neighbour
constexpr int longest = 9;      // pixels

class SpeckFinder {
 public:
  SpeckFinder(PlaneView<const float> residual, PlaneView<const std::uint8_t> mask)
      : residual_(residual), mask_(mask), seen_(residual.size()) {}

  std::vector<SpeckPixel> run() {
    for (int y = 0; y < residual_.height(); ++y) {
      for (int x = 0; x < residual_.width(); ++x) {
        if (residual_(x, y) > bright && takes(x, y, bright)) grow(x, y);
      }
    }
    std::sort(found_.begin(), found_.end(), [](const SpeckPixel& a, const SpeckPixel& b) {
      return a.y != b.y ? a.y < b.y : a.x < b.x;
    });
    return std::move(found_);
  }

 private:
  [[nodiscard]] bool takes(int x, int y, float least) const noexcept {
    return seen_(x, y) == 0 && residual_(x, y) > least && (mask_.empty() || mask_(x, y) == 0);
  }

  void grow(int x, int y) {
    const std::size_t first = found_.size();
    Rect box{x, y, x + 1, y + 1};
    seen_(x, y) = 1;
    found_.push_back({x, y});
    for (std::size_t k = first; k < found_.size(); ++k) {
      const SpeckPixel p = found_[k];
      box = {std::min(box.x0, p.x), std::min(box.y0, p.y), std::max(box.x1, p.x + 1),
             std::max(box.y1, p.y + 1)};
      const Rect around =
          Rect{p.x - 1, p.y - 1, p.x + 2, p.y + 2}.intersect(whole(residual_.size()));
      for (int j = around.y0; j < around.y1; ++j) {
        for (int i = around.x0; i < around.x1; ++i) {
          if (!takes(i, j, part)) continue;
          seen_(i, j) = 1;
          found_.push_back({i, j});
        }
      }
    }
    if (std::max(box.width(), box.height()) > longest) found_.resize(first);
  }

  PlaneView<const float> residual_;
  PlaneView<const std::uint8_t> mask_;
  Mask seen_;
  std::vector<SpeckPixel> found_;
};

}  // namespace

std::vector<SpeckPixel> find_specks(PlaneView<const float> residual,
                                    PlaneView<const std::uint8_t> mask) {
  return SpeckFinder(residual, mask).run();
}

}  // namespace coldframe::stack::detail
