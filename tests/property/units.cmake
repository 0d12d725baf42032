tw_test(test_units_property SOURCES property/test_units_property.c ROOMS units)
