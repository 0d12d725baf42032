tw_fuzz(fuzz_units SOURCE fuzz/fuzz_units.c ROOMS units)
