tw_test(test_rig_load SOURCES unit/test_rig_load.c ROOMS rig units)
tw_test(test_rig_errors SOURCES unit/test_rig_errors.c ROOMS rig units)
