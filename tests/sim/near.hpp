/// \file
/// One name for Catch2's approximate comparison in both of its generations.
#pragma once

#include "catch.hpp"

namespace coldframe::sim {
#if __has_include(<catch2/catch_test_macros.hpp>)
using Near = Catch::Approx;
#else
using Near = Catch::Detail::Approx;
#endif
}  // namespace coldframe::sim
