tw_test(test_capture_comtrade SOURCES reference/test_capture_comtrade.c capture_files.c ROOMS capture base)
