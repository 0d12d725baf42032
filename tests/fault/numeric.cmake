tw_test(test_numeric_fault SOURCES fault/test_numeric_fault.c ROOMS uncert)
