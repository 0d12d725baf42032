tw_test(test_base SOURCES unit/test_base.c ROOMS base)
