# Libraries from the system. Each is seen by one room only (see the room's CMakeLists.txt).
find_package(PkgConfig REQUIRED)
pkg_check_modules(GSL REQUIRED IMPORTED_TARGET gsl)
pkg_check_modules(FFTW REQUIRED IMPORTED_TARGET fftw3)
pkg_check_modules(FYAML REQUIRED IMPORTED_TARGET libfyaml)
pkg_check_modules(JANSSON REQUIRED IMPORTED_TARGET jansson)
pkg_check_modules(PLPLOT REQUIRED IMPORTED_TARGET plplot)
pkg_check_modules(SNDFILE REQUIRED IMPORTED_TARGET sndfile)

# Threads for maps and large records; everything works without, by one thread.
find_package(OpenMP COMPONENTS C)
if(OpenMP_C_FOUND)
    set(TW_OPENMP OpenMP::OpenMP_C)
    set(TW_OPENMP_DEPENDENCY "find_dependency(OpenMP COMPONENTS C)")
    set(TW_OPENMP_PRIVATE " ${OpenMP_C_FLAGS}")
endif()
