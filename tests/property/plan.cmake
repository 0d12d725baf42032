tw_test(test_plan_property SOURCES property/test_plan_property.c ROOMS plan)
target_include_directories(test_plan_property PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit)
