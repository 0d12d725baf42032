tw_test(test_report_faults SOURCES fault/test_report_faults.c unit/report_fixture.c ROOMS report)
target_include_directories(test_report_faults PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit)
