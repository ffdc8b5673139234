// Approximate comparison under one name in both generations of Catch2.
#pragma once

#include "catch.hpp"

#if __has_include(<catch2/catch_approx.hpp>)
using Near = Catch::Approx;
#else
using Near = Catch::Detail::Approx;
#endif
