# libtankwright out of the rooms, its public headers, the pkg-config file and the CMake package.
#
#   tankwright          the shared library     (installed as tankwright::tankwright)
#   tankwright-static   the static library     (tankwright::tankwright-static, package component "static")
include(CMakePackageConfigHelpers)

# The rooms' targets that make the library: all but the front ends.
function(tw_library_rooms out)
    get_property(rooms GLOBAL PROPERTY TW_ROOM_TARGETS)
    list(REMOVE_ITEM rooms tw_app tw_server)
    set(${out} ${rooms} PARENT_SCOPE)
endfunction()

tw_library_rooms(TW_LIBRARY_ROOMS)
get_property(TW_LIBRARY_SYSTEM GLOBAL PROPERTY TW_SYSTEM_TARGETS)
list(REMOVE_DUPLICATES TW_LIBRARY_SYSTEM)
list(TRANSFORM TW_LIBRARY_ROOMS REPLACE "(.+)" "$<TARGET_OBJECTS:\\1>" OUTPUT_VARIABLE TW_LIBRARY_OBJECTS)

add_library(tankwright SHARED ${TW_LIBRARY_OBJECTS})
add_library(tankwright-static STATIC ${TW_LIBRARY_OBJECTS})
foreach(target tankwright tankwright-static)
    target_include_directories(${target} INTERFACE
        $<BUILD_INTERFACE:${PROJECT_SOURCE_DIR}/include> $<INSTALL_INTERFACE:${CMAKE_INSTALL_INCLUDEDIR}>)
    target_link_libraries(${target} PRIVATE ${TW_LIBRARY_SYSTEM} m)
    set_target_properties(${target} PROPERTIES LINKER_LANGUAGE C OUTPUT_NAME tankwright)
    add_library(tankwright::${target} ALIAS ${target})
endforeach()
# Before 1.0 every minor release may change the interface, so it is part of the SONAME.
set_target_properties(tankwright PROPERTIES INSTALL_RPATH "" VERSION ${PROJECT_VERSION}
    SOVERSION ${PROJECT_VERSION_MAJOR}.${PROJECT_VERSION_MINOR})

# Only what the public headers declare is visible in the shared library.
file(GLOB TW_PUBLIC_HEADERS CONFIGURE_DEPENDS ${PROJECT_SOURCE_DIR}/include/tankwright/*.h)
set(TW_EXPORT_MAP ${PROJECT_BINARY_DIR}/tankwright.map)
add_custom_command(OUTPUT ${TW_EXPORT_MAP}
    COMMAND sh ${PROJECT_SOURCE_DIR}/tools/export-map ${TW_PUBLIC_HEADERS} > ${TW_EXPORT_MAP}
    DEPENDS ${TW_PUBLIC_HEADERS} ${PROJECT_SOURCE_DIR}/tools/export-map
    COMMENT "Listing the library's public names" VERBATIM)
add_custom_target(tw_export_map DEPENDS ${TW_EXPORT_MAP})
add_dependencies(tankwright tw_export_map)
set_property(TARGET tankwright APPEND PROPERTY LINK_DEPENDS ${TW_EXPORT_MAP})
target_link_options(tankwright PRIVATE -Wl,--version-script,${TW_EXPORT_MAP})
if(TW_SANITIZE)
    target_link_options(tankwright PRIVATE -fsanitize=${TW_SANITIZE})
else()
    target_link_options(tankwright PRIVATE -Wl,--no-undefined) # the sanitizers' functions come with the program
endif()
if(TW_COVERAGE)
    target_link_options(tankwright PRIVATE --coverage)
endif()

# ---- install ----
file(RELATIVE_PATH TW_PREFIX_FROM_PKGCONFIG "${CMAKE_INSTALL_FULL_LIBDIR}/pkgconfig" "${CMAKE_INSTALL_PREFIX}")
string(REGEX REPLACE "/$" "" TW_PREFIX_FROM_PKGCONFIG "${TW_PREFIX_FROM_PKGCONFIG}")
set(TW_PACKAGE_DIR ${CMAKE_INSTALL_LIBDIR}/cmake/tankwright)
configure_file(${PROJECT_SOURCE_DIR}/cmake/tankwright.pc.in ${PROJECT_BINARY_DIR}/tankwright.pc @ONLY)
configure_package_config_file(${PROJECT_SOURCE_DIR}/cmake/tankwrightConfig.cmake.in
    ${PROJECT_BINARY_DIR}/tankwrightConfig.cmake INSTALL_DESTINATION ${TW_PACKAGE_DIR})
write_basic_package_version_file(${PROJECT_BINARY_DIR}/tankwrightConfigVersion.cmake
    COMPATIBILITY SameMinorVersion)

install(TARGETS tankwright EXPORT tankwrightTargets)
install(TARGETS tankwright-static EXPORT tankwrightStaticTargets)
install(EXPORT tankwrightTargets NAMESPACE tankwright:: DESTINATION ${TW_PACKAGE_DIR})
install(EXPORT tankwrightStaticTargets NAMESPACE tankwright:: DESTINATION ${TW_PACKAGE_DIR})
install(FILES ${PROJECT_BINARY_DIR}/tankwrightConfig.cmake ${PROJECT_BINARY_DIR}/tankwrightConfigVersion.cmake
    DESTINATION ${TW_PACKAGE_DIR})
install(FILES ${PROJECT_BINARY_DIR}/tankwright.pc DESTINATION ${CMAKE_INSTALL_LIBDIR}/pkgconfig)
install(DIRECTORY include/tankwright DESTINATION ${CMAKE_INSTALL_INCLUDEDIR} FILES_MATCHING PATTERN "*.h")
install(FILES README.md CHANGELOG.md LICENSE DESTINATION ${CMAKE_INSTALL_DOCDIR})
install(DIRECTORY examples DESTINATION ${CMAKE_INSTALL_DOCDIR} USE_SOURCE_PERMISSIONS OPTIONAL)
