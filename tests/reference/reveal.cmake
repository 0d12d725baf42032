tw_test(test_reveal_random SOURCES reference/test_reveal_random.c reveal_records.c ROOMS reveal circuit pickup LABEL full)
