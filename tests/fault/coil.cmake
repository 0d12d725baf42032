tw_test(test_coil_fault SOURCES fault/test_coil_fault.c ROOMS coil)
