tw_test(test_capture_fault SOURCES fault/test_capture_fault.c ROOMS capture base)
