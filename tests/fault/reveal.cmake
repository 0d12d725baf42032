tw_test(test_reveal_fault SOURCES fault/test_reveal_fault.c reveal_records.c ROOMS reveal circuit pickup)
