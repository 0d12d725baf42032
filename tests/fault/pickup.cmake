tw_test(test_pickup_fault SOURCES fault/test_pickup_fault.c ROOMS pickup base)
