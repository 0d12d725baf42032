tw_test(test_capture SOURCES unit/test_capture.c ROOMS capture base)
tw_test(test_capture_bad SOURCES unit/test_capture_bad.c ROOMS capture base)
tw_test(test_capture_files SOURCES unit/test_capture_files.c ROOMS capture base)
tw_test(test_capture_large SOURCES unit/test_capture_large.c ROOMS capture base LABEL full)
