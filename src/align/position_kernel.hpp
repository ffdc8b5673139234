/// \file
/// Positions along one axis, split into the first of six taps and a fraction.
#pragma once

#include <cstddef>
#include <cstdint>

namespace coldframe::align {

/// Where results go: index of the first tap, counted from `origin`, and the fraction minus 1/2
/// (see kernel_weights.hpp).
struct SplitPositions {
  std::int32_t* first = nullptr;
  float* u = nullptr;
  std::int32_t origin = 0;
};

/// Positions slope * (x0 + i) + offset for i in [0, count); none may be negative, nor above 2^31.
struct PositionLine {
  double slope = 0.0, offset = 0.0;
  int x0 = 0;
};

/// The definitions: truncated, which is floor() here.
void split_scalar(const double* positions, const SplitPositions& out, std::size_t count) noexcept;
void split_scalar(const PositionLine& line, const SplitPositions& out, std::size_t count) noexcept;
/// The same bits by the widest instruction set of the machine.
void split(const double* positions, const SplitPositions& out, std::size_t count) noexcept;
void split(const PositionLine& line, const SplitPositions& out, std::size_t count) noexcept;

}  // namespace coldframe::align
