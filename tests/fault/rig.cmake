tw_test(test_rig_fault SOURCES fault/test_rig_fault.c ROOMS rig)
