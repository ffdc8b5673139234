include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

# ---- what an owner uses: the program, its manual and completions ----
if(TARGET coldframe_cli)
  install(TARGETS coldframe_cli RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR} COMPONENT runtime)
  install(FILES ${PROJECT_SOURCE_DIR}/README.md ${PROJECT_SOURCE_DIR}/CHANGELOG.md
    DESTINATION ${CMAKE_INSTALL_DOCDIR} COMPONENT runtime)
  install(FILES ${PROJECT_SOURCE_DIR}/LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR} RENAME copyright
    COMPONENT runtime)
endif()
# The program tells its own manual; a build for another machine cannot ask it.
if(TARGET coldframe_cli AND NOT CMAKE_CROSSCOMPILING)
  set(manual ${PROJECT_BINARY_DIR}/manual)
  add_custom_command(OUTPUT ${manual}/man1/coldframe.1
    COMMAND ${CMAKE_COMMAND} -DPROGRAM=$<TARGET_FILE:coldframe_cli> -DOUT=${manual}
      -P ${PROJECT_SOURCE_DIR}/cmake/WriteManual.cmake
    DEPENDS coldframe_cli ${PROJECT_SOURCE_DIR}/cmake/WriteManual.cmake VERBATIM)
  add_custom_target(coldframe_manual ALL DEPENDS ${manual}/man1/coldframe.1)
  install(DIRECTORY ${manual}/man1 DESTINATION ${CMAKE_INSTALL_MANDIR} COMPONENT runtime)
  install(FILES ${manual}/bash/coldframe
    DESTINATION ${CMAKE_INSTALL_DATADIR}/bash-completion/completions COMPONENT runtime)
  install(FILES ${manual}/fish/coldframe.fish
    DESTINATION ${CMAKE_INSTALL_DATADIR}/fish/vendor_completions.d COMPONENT runtime)
endif()

# ---- what a programmer uses: headers, library, descriptions for CMake and pkg-config ----
install(TARGETS coldframe EXPORT coldframeTargets
  ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR} COMPONENT development
  LIBRARY DESTINATION ${CMAKE_INSTALL_LIBDIR} COMPONENT development)
install(DIRECTORY ${PROJECT_SOURCE_DIR}/include/coldframe DESTINATION ${CMAKE_INSTALL_INCLUDEDIR}
  COMPONENT development)
install(EXPORT coldframeTargets NAMESPACE coldframe::
  DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/coldframe COMPONENT development)
configure_package_config_file(${PROJECT_SOURCE_DIR}/cmake/coldframeConfig.cmake.in
  ${PROJECT_BINARY_DIR}/coldframeConfig.cmake
  INSTALL_DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/coldframe)
write_basic_package_version_file(${PROJECT_BINARY_DIR}/coldframeConfigVersion.cmake
  COMPATIBILITY SameMinorVersion)
install(FILES ${PROJECT_BINARY_DIR}/coldframeConfig.cmake
  ${PROJECT_BINARY_DIR}/coldframeConfigVersion.cmake
  DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/coldframe COMPONENT development)

# Found from where the file lies, so that the tree may be installed anywhere.
file(RELATIVE_PATH COLDFRAME_PC_UP /${CMAKE_INSTALL_LIBDIR}/pkgconfig /)
string(REGEX REPLACE "/$" "" COLDFRAME_PC_UP "${COLDFRAME_PC_UP}")
set(COLDFRAME_PC_THREADS "-pthread")
if(COLDFRAME_THREADS STREQUAL "openmp")
  string(APPEND COLDFRAME_PC_THREADS " ${OpenMP_CXX_FLAGS}")
endif()
configure_file(${PROJECT_SOURCE_DIR}/cmake/coldframe.pc.in ${PROJECT_BINARY_DIR}/coldframe.pc @ONLY)
install(FILES ${PROJECT_BINARY_DIR}/coldframe.pc DESTINATION ${CMAKE_INSTALL_LIBDIR}/pkgconfig
  COMPONENT development)

# ---- Debian packages: `cpack -G DEB` in the build folder ----
set(CPACK_PACKAGE_CONTACT "Coldframe developers <coldframe@example.org>")
set(CPACK_PACKAGE_DESCRIPTION_SUMMARY "${PROJECT_DESCRIPTION}")
set(CPACK_RESOURCE_FILE_LICENSE ${PROJECT_SOURCE_DIR}/LICENSE)
set(CPACK_PACKAGING_INSTALL_PREFIX /usr)
set(CPACK_COMPONENTS_ALL runtime development)
set(CPACK_DEB_COMPONENT_INSTALL ON)
set(CPACK_DEBIAN_FILE_NAME DEB-DEFAULT)
set(CPACK_DEBIAN_PACKAGE_SECTION science)
set(CPACK_DEBIAN_RUNTIME_PACKAGE_NAME coldframe)
set(CPACK_DEBIAN_RUNTIME_PACKAGE_SHLIBDEPS ON)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_NAME libcoldframe-dev)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_SECTION libdevel)
set(CPACK_DEBIAN_DEVELOPMENT_PACKAGE_DEPENDS
  "libcfitsio-dev, wcslib-dev, liberfa-dev, libhwy-dev, libfmt-dev, libpng-dev, libtiff-dev, zlib1g-dev")
set(CPACK_STRIP_FILES ON)
include(CPack)
