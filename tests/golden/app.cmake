# The command line as its users see it: tests/golden/run-case describes the form of a case.
add_executable(golden_pick golden/pick.c)
target_link_libraries(golden_pick PRIVATE PkgConfig::JANSSON)
tw_compile_options(golden_pick)
file(GLOB golden_cases CONFIGURE_DEPENDS ${CMAKE_CURRENT_SOURCE_DIR}/golden/cases/*.case)
foreach(case ${golden_cases})
    get_filename_component(name ${case} NAME_WE)
    add_test(NAME golden_${name}
        COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/golden/run-case $<TARGET_FILE:tankwright-app> $<TARGET_FILE:golden_pick>
            ${PROJECT_SOURCE_DIR} ${case})
    set_tests_properties(golden_${name} PROPERTIES LABELS quick TIMEOUT 120
        ENVIRONMENT "LSAN_OPTIONS=suppressions=${PROJECT_SOURCE_DIR}/tests/unit/report_leaks.supp:print_suppressions=0")
endforeach()
