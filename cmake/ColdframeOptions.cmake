# Flags of our own targets; nothing here reaches an outside project.
add_library(coldframe_options INTERFACE)
target_compile_features(coldframe_options INTERFACE cxx_std_20)
# The same bits whatever the compiler and the instruction set: no fused multiply-add unless written.
target_compile_options(coldframe_options INTERFACE
  -Wall -Wextra -Wpedantic -Wconversion -Wsign-conversion -ffp-contract=off
  $<$<BOOL:${COLDFRAME_WARNINGS_AS_ERRORS}>:-Werror>)
target_compile_definitions(coldframe_options INTERFACE
  EIGEN_DONT_PARALLELIZE EIGEN_MPL2_ONLY)
if(COLDFRAME_SANITIZE)
  target_compile_options(coldframe_options INTERFACE
    -fsanitize=${COLDFRAME_SANITIZE} -fno-sanitize-recover=all -fno-omit-frame-pointer)
  target_link_options(coldframe_options INTERFACE -fsanitize=${COLDFRAME_SANITIZE})
endif()
set(CMAKE_CXX_EXTENSIONS OFF)
set(CMAKE_POSITION_INDEPENDENT_CODE ON)
set(CMAKE_EXPORT_COMPILE_COMMANDS ON)
