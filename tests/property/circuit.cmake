tw_test(test_circuit_property SOURCES property/test_circuit_property.c ROOMS circuit PRIVATE_OF circuit)
