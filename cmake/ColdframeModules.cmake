# One object library per module (so a module can be built and tested alone), all
# gathered into the one library that is installed.
set_property(GLOBAL PROPERTY COLDFRAME_MODULES "")

function(coldframe_module name)
  cmake_parse_arguments(ARG "" "" "DEPENDS;LINK" ${ARGN})
  file(GLOB sources CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/src/${name}/*.cpp)
  if(NOT sources)
    return()
  endif()
  add_library(coldframe_${name} OBJECT ${sources})
  target_include_directories(coldframe_${name}
    PUBLIC ${PROJECT_SOURCE_DIR}/include PRIVATE ${PROJECT_SOURCE_DIR}/src)
  target_link_libraries(coldframe_${name}
    PRIVATE coldframe_options Eigen3::Eigen PkgConfig::hwy ${ARG_LINK} PUBLIC fmt::fmt)
  if(name STREQUAL "core")
    set_property(SOURCE ${PROJECT_SOURCE_DIR}/src/core/version.cpp
      APPEND PROPERTY COMPILE_DEFINITIONS COLDFRAME_VERSION="${PROJECT_VERSION}")
  endif()
  if(name STREQUAL "core" AND COLDFRAME_THREADS STREQUAL "openmp")
    target_link_libraries(coldframe_core PRIVATE OpenMP::OpenMP_CXX)
    target_compile_definitions(coldframe_core PRIVATE COLDFRAME_OPENMP)
  endif()
  set_property(TARGET coldframe_${name} PROPERTY COLDFRAME_DEPENDS "${ARG_DEPENDS}")
  set_property(GLOBAL APPEND PROPERTY COLDFRAME_MODULES ${name})
endfunction()

# The report's style and scripts, and the chart library, as texts inside module view.
function(coldframe_embed_page)
  set(page ${PROJECT_SOURCE_DIR}/src/view/page)
  set(style ${page}/page.css)
  set(script ${page}/page.js ${page}/stretch.js ${page}/viewer.js ${page}/leaf.js ${page}/charts.js
    ${page}/subs.js)
  set(charts ${COLDFRAME_CHART_JS})
  foreach(pair page_style:style page_script:script chart_library:charts)
    string(REPLACE ":" ";" pair ${pair})
    list(GET pair 0 name)
    list(GET pair 1 variable)
    set(out ${PROJECT_BINARY_DIR}/embedded/${name}.cpp)
    add_custom_command(OUTPUT ${out}
      COMMAND ${CMAKE_COMMAND} -DNAME=${name} -DOUT=${out} "-DIN=${${variable}}"
        -P ${PROJECT_SOURCE_DIR}/cmake/EmbedText.cmake
      DEPENDS ${${variable}} ${PROJECT_SOURCE_DIR}/cmake/EmbedText.cmake VERBATIM)
    # The standard asks compilers for 65536 characters in a literal; both we build with take more.
    set_source_files_properties(${out} PROPERTIES COMPILE_OPTIONS -Wno-overlength-strings)
    target_sources(coldframe_view PRIVATE ${out})
  endforeach()
endfunction()

# Libraries that whatever links our objects must link too.
set(COLDFRAME_EXTERNAL fmt::fmt PkgConfig::hwy PkgConfig::cfitsio PkgConfig::wcslib PkgConfig::erfa PNG::PNG TIFF::TIFF ZLIB::ZLIB Threads::Threads)
if(COLDFRAME_THREADS STREQUAL "openmp")
  list(APPEND COLDFRAME_EXTERNAL OpenMP::OpenMP_CXX)
endif()

function(coldframe_library)
  get_property(modules GLOBAL PROPERTY COLDFRAME_MODULES)
  set(objects "")
  foreach(module IN LISTS modules)
    list(APPEND objects $<TARGET_OBJECTS:coldframe_${module}>)
  endforeach()
  add_library(coldframe ${objects})
  add_library(coldframe::coldframe ALIAS coldframe)
  set_target_properties(coldframe PROPERTIES LINKER_LANGUAGE CXX)
  target_compile_features(coldframe PUBLIC cxx_std_20)
  target_include_directories(coldframe PUBLIC
    $<BUILD_INTERFACE:${PROJECT_SOURCE_DIR}/include> $<INSTALL_INTERFACE:include>)
  target_link_libraries(coldframe PUBLIC ${COLDFRAME_EXTERNAL})
endfunction()

function(coldframe_program)
  file(GLOB sources CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/src/cli/*.cpp)
  if(NOT sources)
    return()
  endif()
  add_executable(coldframe_cli ${sources})
  set_target_properties(coldframe_cli PROPERTIES OUTPUT_NAME coldframe)
  target_include_directories(coldframe_cli PRIVATE ${PROJECT_SOURCE_DIR}/src)
  target_link_libraries(coldframe_cli PRIVATE coldframe coldframe_options CLI11::CLI11
    tomlplusplus::tomlplusplus nlohmann_json::nlohmann_json)
endfunction()
