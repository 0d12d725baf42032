tw_test(test_reveal_coverage SOURCES property/test_reveal_coverage.c reveal_records.c ROOMS reveal circuit pickup
    LABEL full)
