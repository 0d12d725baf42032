tw_fuzz(fuzz_number SOURCE fuzz/fuzz_number.c ROOMS base)
