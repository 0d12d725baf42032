tw_test(test_capture_property SOURCES property/test_capture_property.c ROOMS capture base)
tw_test(test_capture_formats SOURCES property/test_capture_formats.c capture_files.c ROOMS capture base)
