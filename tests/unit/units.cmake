tw_test(test_units_parse SOURCES unit/test_units_parse.c ROOMS units)
tw_test(test_units_format SOURCES unit/test_units_format.c ROOMS units)
