tw_fuzz(fuzz_capture SOURCE fuzz/fuzz_capture.c ROOMS capture base)
