tw_test(test_rig_property SOURCES property/test_rig_property.c ROOMS rig units PRIVATE_OF rig)
