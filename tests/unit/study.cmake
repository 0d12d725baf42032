tw_test(test_study SOURCES unit/test_study.c ROOMS study PRIVATE_OF study)
tw_test(test_study_map SOURCES unit/test_study_map.c ROOMS study PRIVATE_OF study)
tw_test(test_study_records SOURCES unit/test_study_records.c ROOMS study PRIVATE_OF study)
tw_test(test_study_pickup SOURCES unit/test_study_pickup.c ROOMS study PRIVATE_OF study)
