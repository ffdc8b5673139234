// One include for both generations of Catch2 (v2: one header, v3: several).
#pragma once

#if __has_include(<catch2/catch_test_macros.hpp>)
#include <catch2/catch_approx.hpp>
#include <catch2/catch_test_macros.hpp>
#include <catch2/generators/catch_generators.hpp>
#include <catch2/matchers/catch_matchers_string.hpp>
using Catch::Approx;  // v2 brings it along
#else
#include <catch2/catch.hpp>
#endif
