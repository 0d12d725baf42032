tw_test(test_uncert SOURCES unit/test_uncert.c ROOMS uncert)
