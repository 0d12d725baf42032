tw_test(test_capture_fault SOURCES fault/test_capture_fault.c capture_files.c ROOMS capture base)
