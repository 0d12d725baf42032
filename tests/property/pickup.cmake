tw_test(test_pickup_property SOURCES property/test_pickup_property.c ROOMS pickup base)
