tw_test(test_coil SOURCES unit/test_coil.c ROOMS coil PRIVATE_OF coil)
tw_test(test_coil_bad SOURCES unit/test_coil_bad.c ROOMS coil)
