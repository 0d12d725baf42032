tw_test(test_base_fault SOURCES fault/test_base_fault.c ROOMS base)
