tw_test(test_plan_fault SOURCES fault/test_plan_fault.c ROOMS plan)
target_include_directories(test_plan_fault PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit)
