tw_test(test_nist_regression SOURCES reference/test_nist_regression.c ROOMS numeric)
tw_test(test_sine_fit_reference SOURCES reference/test_sine_fit_reference.c ROOMS numeric)
tw_test(test_power_reference SOURCES reference/test_power_reference.c ROOMS numeric)
