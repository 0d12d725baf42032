tw_test(test_base SOURCES unit/test_base.c ROOMS base)
tw_test(test_base_number SOURCES unit/test_base_number.c ROOMS base)
