tw_test(test_plan SOURCES unit/test_plan.c ROOMS plan)
