tw_test(test_numeric_property SOURCES property/test_numeric_property.c ROOMS uncert)
