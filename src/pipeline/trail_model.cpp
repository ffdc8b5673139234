#include "trail_model.hpp"

#include <algorithm>
#include <cmath>

#include "coldframe/core/statistics.hpp"
#include "trail_level.hpp"

namespace coldframe::pipeline::detail {
namespace {

constexpr float star_limit = 4.0F;   // above the smooth sky, in noise units
constexpr float wing_limit = 12.0F;  // wings so broad that they pass for smooth sky
constexpr int star_margin = 2;
constexpr int noise_cell = 8;

// Median of the members that see a pixel.
template <typename Value, typename Member>
Grid<float> median_of(const std::vector<Member>& members, Size size, Threads threads,
                      const Value& value) {
  Grid<float> centre(size);
  parallel_bands(threads, size.height, 16, [&](int y0, int y1) {
    std::vector<float> sample;
    for (int j = y0; j < y1; ++j) {
      for (int i = 0; i < size.width; ++i) {
        sample.clear();
        for (const Member& member : members) {
          const float v = value(member, i, j);
          if (std::isfinite(v)) sample.push_back(v);
        }
        if (!sample.empty()) centre(i, j) = median_in_place(std::span<float>(sample));
      }
    }
  });
  return centre;
}

}  // namespace

TrailModel::TrailModel(std::vector<Picture> members, Size size, Threads threads)
    : sum_(size), weight_(size), spread_(size), noise_(size, 1.0F), stars_(size) {
  skies_ = sky_differences(members, threads);
  parallel_for(threads, members.size(),
               [&](std::size_t k) { subtract(skies_[k], members[k].values); });
  first_centre_ = median_of(members, size, threads, [](const Picture& m, int i, int j) {
    return m.mask(i, j) == 0 ? m.values(i, j) : std::nanf("");
  });
  std::vector<Levelled> levelled(members.size());
  parallel_for(threads, members.size(), [&](std::size_t k) {
    levelled[k] = level(members[k]);
    members[k] = Picture();
  });
  centre_ = median_of(levelled, size, threads, [](const Levelled& m, int i, int j) {
    return m.picture.mask(i, j) == 0 ? m.picture.values(i, j) / m.scale : std::nanf("");
  });
  average(levelled, threads);
  mark_stars();
  map_noise(spread_);
  spread_ = Grid<float>();
}

// Depth and smooth differences of the sky: what is left of them would make steps where members end.
TrailModel::Levelled TrailModel::level(const Picture& member) const {
  Levelled out{{member.values.clone(), member.mask.clone()}, 1.0F};
  Grid<float>& values = out.picture.values;
  out.scale = static_cast<float>(scale_against(member.values, member.mask, first_centre_));
  Grid<float> difference(values.size());
  for (int j = 0; j < difference.height(); ++j) {
    for (int i = 0; i < difference.width(); ++i) {
      difference(i, j) = values(i, j) - out.scale * first_centre_(i, j);
    }
  }
  subtract_smooth_level(difference, member.mask, smooth_cell, 2);
  for (int j = 0; j < difference.height(); ++j) {
    for (int i = 0; i < difference.width(); ++i) {
      values(i, j) = difference(i, j) + out.scale * first_centre_(i, j);
    }
  }
  return out;
}

// Within what noise and changes of seeing explain. Not the member's scatter: two may agree
// by accident.
bool TrailModel::accepted(const Levelled& member, int i, int j) const noexcept {
  if (member.picture.mask(i, j) != 0) return false;
  constexpr float limit = 3.5F;
  constexpr float seeing = 0.3F;
  const float expected = member.scale * centre_(i, j);
  return std::fabs(member.picture.values(i, j) - expected) <= limit + seeing * std::fabs(expected);
}

void TrailModel::average(const std::vector<Levelled>& members, Threads threads) {
  parallel_bands(threads, sum_.height(), 16, [&](int y0, int y1) {
    for (int j = y0; j < y1; ++j) {
      for (int i = 0; i < sum_.width(); ++i) {
        float spread = 0.0F;
        float count = 0.0F;
        for (const Levelled& member : members) {
          if (!accepted(member, i, j)) continue;
          const float value = member.picture.values(i, j);
          sum_(i, j) += member.scale * value;
          weight_(i, j) += member.scale * member.scale;
          spread += std::fabs(value - member.scale * centre_(i, j));
          count += 1.0F;
        }
        spread_(i, j) = count >= 2.0F ? spread / count : std::nanf("");
      }
    }
  });
}

void TrailModel::mark_stars() {
  Grid<float> smooth(sum_.size());
  Mask unseen(sum_.size());
  for (int j = 0; j < sum_.height(); ++j) {
    for (int i = 0; i < sum_.width(); ++i) {
      if (weight_(i, j) > 0.0F) {
        smooth(i, j) = sum_(i, j) / weight_(i, j);
      } else {
        unseen(i, j) = mask_bit::outside;
      }
    }
  }
  Grid<float> wide = smooth.clone();
  subtract_smooth_level(wide, unseen, 4 * smooth_cell, 8);
  subtract_smooth_level(smooth, unseen, smooth_cell, 2);
  for (int j = 0; j < smooth.height(); ++j) {
    for (int i = 0; i < smooth.width(); ++i) {
      const bool bright = smooth(i, j) > star_limit || wide(i, j) > wing_limit;
      if (unseen(i, j) != 0 || !bright) continue;
      const Rect around =
          Rect{i - star_margin, j - star_margin, i + star_margin + 1, j + star_margin + 1}
              .intersect(whole(smooth.size()));
      for (int y = around.y0; y < around.y1; ++y) {
        for (int x = around.x0; x < around.x1; ++x) stars_(x, y) |= mask_bit::saturated;
      }
    }
  }
}

void TrailModel::map_noise(const Grid<float>& spread) {
  const Size cells{(spread.width() + noise_cell - 1) / noise_cell,
                   (spread.height() + noise_cell - 1) / noise_cell};
  std::vector<float> everywhere;
  std::vector<float> sample;
  Grid<float> local(cells);
  for (int b = 0; b < cells.height; ++b) {
    for (int a = 0; a < cells.width; ++a) {
      sample.clear();
      const Rect part = Rect{(a - 1) * noise_cell, (b - 1) * noise_cell, (a + 2) * noise_cell,
                             (b + 2) * noise_cell}
                            .intersect(whole(spread.size()));
      for (int y = part.y0; y < part.y1; ++y) {
        for (int x = part.x0; x < part.x1; ++x) {
          if (std::isfinite(spread(x, y)) && stars_(x, y) == 0) sample.push_back(spread(x, y));
        }
      }
      constexpr std::size_t enough = 40;
      if (sample.size() < enough) continue;
      local(a, b) = median_in_place(std::span<float>(sample));
      everywhere.push_back(local(a, b));
    }
  }
  if (everywhere.empty()) return;
  const float usual = std::max(median_in_place(std::span<float>(everywhere)), 1e-6F);
  for (int j = 0; j < noise_.height(); ++j) {
    for (int i = 0; i < noise_.width(); ++i) {
      const float here = local(i / noise_cell, j / noise_cell);
      if (here > 0.0F) noise_(i, j) = std::max(here / usual, 0.8F);
    }
  }
}

SubModel TrailModel::of_all() const { return model_without(nullptr); }

SubModel TrailModel::without(std::size_t index, Picture member) const {
  subtract(skies_[index], member.values);
  const Levelled own = level(member);
  return model_without(&own);
}

SubModel TrailModel::model_without(const Levelled* own) const {
  const Size size = sum_.size();
  SubModel model{Grid<float>(size), Grid<float>(size), Grid<float>(size)};
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      float sum = sum_(i, j);
      float weight = weight_(i, j);
      if (own != nullptr && accepted(*own, i, j)) {
        sum -= own->scale * own->picture.values(i, j);
        weight -= own->scale * own->scale;
      }
      // What rounding leaves of a sum without its only member is nothing.
      constexpr float nothing = 1e-4F;
      if (weight < nothing) continue;
      model.full(i, j) = sum / weight;
      model.weight(i, j) = weight;
    }
  }
  keep_what_is_seen(model);
  return model;
}

// The smooth light stays whole. Of the rest, a mean over 3 x 3 pixels four times above its noise is
// light that is there; so is a mean over 9 x 9 of what that leaves, which stands for its middle.
void TrailModel::keep_what_is_seen(SubModel& model) const {
  const Size size = model.full.size();
  Mask left_out(size);
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      left_out(i, j) = stars_(i, j);
      if (!(model.weight(i, j) > 0.0F)) left_out(i, j) |= mask_bit::outside;
    }
  }
  Grid<float> rest = model.full.clone();
  subtract_sky(rest, left_out);
  Mask used(size);
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      if (!(model.weight(i, j) > 0.0F)) used(i, j) = mask_bit::outside;
      model.known(i, j) = model.full(i, j) - rest(i, j);
    }
  }
  constexpr float times = 3.5F;
  const auto limit = [&](int i, int j, float side) {
    return times * noise_(i, j) / (side * std::sqrt(std::max(model.weight(i, j), 1e-4F)));
  };
  const Grid<float> small = box_means(rest, used, 1);
  for (int j = 0; j < size.height; ++j) {
    for (int i = 0; i < size.width; ++i) {
      if (used(i, j) != 0 || !(std::fabs(small(i, j)) > limit(i, j, 3.0F))) continue;
      model.known(i, j) = model.full(i, j);
      used(i, j) = mask_bit::saturated;
    }
  }
  // Noise of a wide mean adds next to nothing to a sub's own: a lower limit serves better there.
  constexpr float wide_times = 2.0F;
  for (const int reach : {4, 12}) {
    const Grid<float> wide = box_means(rest, used, reach);
    const float side = 2.0F * static_cast<float>(reach) + 1.0F;
    for (int j = 0; j < size.height; ++j) {
      for (int i = 0; i < size.width; ++i) {
        if (used(i, j) != 0 || !(std::fabs(wide(i, j)) > wide_times / times * limit(i, j, side)))
          continue;
        model.known(i, j) += wide(i, j);
        rest(i, j) -= wide(i, j);
      }
    }
  }
}

}  // namespace coldframe::pipeline::detail
