tw_test(test_capture_property SOURCES property/test_capture_property.c ROOMS capture base)
