tw_test(test_coil_air SOURCES reference/test_coil_air.c ROOMS coil)
tw_test(test_coil_plate SOURCES reference/test_coil_plate.c ROOMS coil)
tw_test(test_coil_wire SOURCES reference/test_coil_wire.c ROOMS coil)
tw_test(test_coil_hob SOURCES reference/test_coil_hob.c ROOMS coil)
