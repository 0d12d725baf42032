tw_fuzz(fuzz_capture SOURCE fuzz/fuzz_capture.c ROOMS capture base)
tw_fuzz(fuzz_comtrade SOURCE fuzz/fuzz_comtrade.c ROOMS capture base)
tw_fuzz(fuzz_numpy SOURCE fuzz/fuzz_numpy.c ROOMS capture base)
tw_fuzz(fuzz_audio SOURCE fuzz/fuzz_audio.c ROOMS capture base)
