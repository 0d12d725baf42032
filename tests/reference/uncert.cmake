tw_test(test_gum_h2 SOURCES reference/test_gum_h2.c ROOMS uncert)
