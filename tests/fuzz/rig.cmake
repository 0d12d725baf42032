tw_fuzz(fuzz_rig SOURCE fuzz/fuzz_rig.c ROOMS rig)
