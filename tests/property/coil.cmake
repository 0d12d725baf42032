tw_test(test_coil_property SOURCES property/test_coil_property.c ROOMS coil)
