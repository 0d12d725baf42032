tw_test(test_units_reference SOURCES reference/test_units_reference.c ROOMS units)
