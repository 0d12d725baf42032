tw_test(test_reveal_bad SOURCES unit/test_reveal_bad.c reveal_records.c ROOMS reveal circuit pickup)
tw_test(test_reveal_records SOURCES unit/test_reveal_records.c reveal_records.c ROOMS reveal circuit pickup)
tw_test(test_reveal_saturation SOURCES unit/test_reveal_saturation.c reveal_records.c ROOMS reveal circuit pickup
    LABEL full)
tw_test(test_reveal_waves SOURCES unit/test_reveal_waves.c reveal_records.c ROOMS reveal circuit pickup)
