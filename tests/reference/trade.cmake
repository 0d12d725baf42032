tw_test(test_facts_of_the_trade SOURCES reference/test_facts_of_the_trade.c ROOMS circuit study)
