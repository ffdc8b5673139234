include(GNUInstallDirs)
include(CMakePackageConfigHelpers)

install(TARGETS coldframe EXPORT coldframeTargets
  ARCHIVE DESTINATION ${CMAKE_INSTALL_LIBDIR} LIBRARY DESTINATION ${CMAKE_INSTALL_LIBDIR})
if(TARGET coldframe_cli)
  install(TARGETS coldframe_cli RUNTIME DESTINATION ${CMAKE_INSTALL_BINDIR})
endif()
install(DIRECTORY ${PROJECT_SOURCE_DIR}/include/coldframe DESTINATION ${CMAKE_INSTALL_INCLUDEDIR})
install(EXPORT coldframeTargets NAMESPACE coldframe:: DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/coldframe)
configure_package_config_file(${PROJECT_SOURCE_DIR}/cmake/coldframeConfig.cmake.in
  ${PROJECT_BINARY_DIR}/coldframeConfig.cmake
  INSTALL_DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/coldframe)
write_basic_package_version_file(${PROJECT_BINARY_DIR}/coldframeConfigVersion.cmake
  COMPATIBILITY SameMinorVersion)
install(FILES ${PROJECT_BINARY_DIR}/coldframeConfig.cmake
  ${PROJECT_BINARY_DIR}/coldframeConfigVersion.cmake
  DESTINATION ${CMAKE_INSTALL_LIBDIR}/cmake/coldframe)
