/// \file
/// Looking for trails on the registered previews against their median.
#pragma once

#include <functional>
#include <span>
#include <vector>

#include "coldframe/core/interrupt.hpp"
#include "coldframe/core/transform.hpp"
#include "coldframe/pipeline/measure_pass.hpp"
#include "coldframe/stack/trails.hpp"

namespace coldframe::pipeline {

/// A sub's preview and where it lies. `load` may read a cache; called once or twice per sub.
struct PreviewSub {
  std::function<SubMeasurement()> load;
  Transform transform;  ///< sub -> canvas
};

/// Trails per sub, in canvas coordinates. With fewer than 3 subs nothing is searched.
[[nodiscard]] std::vector<std::vector<stack::Trail>> search_trails(
    std::span<const PreviewSub> subs, Size canvas, const stack::TrailOptions& options,
    Threads threads, const Watch& watch);

}  // namespace coldframe::pipeline
