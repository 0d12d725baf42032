tw_test(test_pickup_reference SOURCES reference/test_pickup_reference.c ROOMS pickup base)
