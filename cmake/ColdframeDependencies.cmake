# System packages only; nothing is downloaded at build time.
find_package(PkgConfig REQUIRED)
pkg_check_modules(cfitsio REQUIRED IMPORTED_TARGET cfitsio)
pkg_check_modules(wcslib REQUIRED IMPORTED_TARGET wcslib)
pkg_check_modules(erfa REQUIRED IMPORTED_TARGET erfa)
pkg_check_modules(hwy REQUIRED IMPORTED_TARGET libhwy)
find_package(Eigen3 3.3 REQUIRED NO_MODULE)
find_package(fmt REQUIRED)
find_package(nlohmann_json REQUIRED)
find_package(PNG REQUIRED)
find_package(TIFF REQUIRED)
find_package(ZLIB REQUIRED)
find_package(nanoflann REQUIRED)
find_package(CLI11 REQUIRED)
find_package(tomlplusplus REQUIRED)
find_package(Threads REQUIRED)
if(COLDFRAME_THREADS STREQUAL "openmp")
  find_package(OpenMP REQUIRED COMPONENTS CXX)
endif()
# Charts of the report; the file goes into the program.
find_file(COLDFRAME_CHART_JS chart.min.js REQUIRED
  PATHS /usr/share/javascript/chart.js /usr/share/javascript/chartjs /usr/share/nodejs/chart.js/dist
  DOC "Chart.js, minified (Debian: libjs-chart.js)")
