tw_test(test_pickup_transformer SOURCES unit/test_pickup_transformer.c ROOMS pickup base PRIVATE_OF pickup)
tw_test(test_pickup_recorder SOURCES unit/test_pickup_recorder.c ROOMS pickup base PRIVATE_OF pickup)
tw_test(test_pickup_sensor SOURCES unit/test_pickup_sensor.c ROOMS pickup base)
