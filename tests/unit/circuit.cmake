tw_test(test_circuit_flow SOURCES unit/test_circuit_flow.c ROOMS circuit PRIVATE_OF circuit)
tw_test(test_circuit_stage SOURCES unit/test_circuit_stage.c ROOMS circuit PRIVATE_OF circuit)
tw_test(test_circuit_mains_run SOURCES unit/test_circuit_mains_run.c ROOMS circuit)
