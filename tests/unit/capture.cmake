tw_test(test_capture SOURCES unit/test_capture.c ROOMS capture base)
