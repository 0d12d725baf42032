add_test(NAME golden_tutorial COMMAND ${CMAKE_CURRENT_SOURCE_DIR}/golden/run-tutorial $<TARGET_FILE:tankwright-app>
    ${PROJECT_SOURCE_DIR})
set_tests_properties(golden_tutorial PROPERTIES LABELS full TIMEOUT 300
    ENVIRONMENT "LSAN_OPTIONS=suppressions=${PROJECT_SOURCE_DIR}/tests/unit/report_leaks.supp")
