# One static library per room; all of them together are libtankwright.

set(TW_WARNINGS -Wall -Wextra -Wpedantic -Wshadow -Wconversion -Wsign-conversion -Wstrict-prototypes
    -Wmissing-prototypes -Wpointer-arith -Wcast-qual -Wwrite-strings -Wvla -Wformat=2 -Wundef
    -Wno-missing-field-initializers)

if(NOT TW_OPENMP)
    list(APPEND TW_WARNINGS -Wno-unknown-pragmas) # OpenMP's own
endif()

# Flags that all our code shares.
function(tw_compile_options target)
    target_compile_definitions(${target} PRIVATE _GNU_SOURCE TW_VERSION="${PROJECT_VERSION}")
    target_compile_options(${target} PRIVATE ${TW_WARNINGS} -fno-math-errno $<$<BOOL:${TW_WERROR}>:-Werror>)
    if(TW_SANITIZE)
        target_compile_options(${target} PRIVATE -fsanitize=${TW_SANITIZE} -fno-omit-frame-pointer
            -fno-sanitize-recover=all)
        target_link_options(${target} PRIVATE -fsanitize=${TW_SANITIZE})
    endif()
    if(TW_FUZZ)
        target_compile_options(${target} PRIVATE -fsanitize=fuzzer-no-link)
    endif()
    if(TW_COVERAGE)
        target_compile_options(${target} PRIVATE --coverage)
        target_link_options(${target} PRIVATE --coverage)
    endif()
endfunction()

# tw_room(NAME SOURCES a.c ... [ROOMS base ...] [SYSTEM PkgConfig::GSL ...])
function(tw_room name)
    cmake_parse_arguments(R "" "" "SOURCES;ROOMS;SYSTEM" ${ARGN})
    add_library(tw_${name} STATIC ${R_SOURCES})
    target_include_directories(tw_${name} PUBLIC ${PROJECT_SOURCE_DIR}/include)
    target_include_directories(tw_${name} PRIVATE ${CMAKE_CURRENT_SOURCE_DIR})
    list(TRANSFORM R_ROOMS PREPEND tw_)
    target_link_libraries(tw_${name} PUBLIC ${R_ROOMS} m PRIVATE ${R_SYSTEM})
    tw_compile_options(tw_${name})
    set_property(GLOBAL APPEND PROPERTY TW_ROOM_TARGETS tw_${name})
    set_property(GLOBAL APPEND PROPERTY TW_SYSTEM_TARGETS ${R_SYSTEM})
endfunction()

# tw_test(NAME SOURCES a.c ... ROOMS units ... [SYSTEM ...] [LABEL quick|full|long] [PRIVATE_OF room])
# A cmocka program registered with ctest. PRIVATE_OF lets it include that room's private headers.
function(tw_test name)
    cmake_parse_arguments(T "" "LABEL;PRIVATE_OF;TIMEOUT" "SOURCES;ROOMS;SYSTEM" ${ARGN})
    add_executable(${name} ${T_SOURCES})
    list(TRANSFORM T_ROOMS PREPEND tw_)
    target_link_libraries(${name} PRIVATE ${T_ROOMS} tw_testing ${T_SYSTEM} m)
    if(T_PRIVATE_OF)
        target_include_directories(${name} PRIVATE ${PROJECT_SOURCE_DIR}/src/${T_PRIVATE_OF})
    endif()
    tw_compile_options(${name})
    add_test(NAME ${name} COMMAND ${name})
    if(NOT T_LABEL)
        set(T_LABEL quick)
    endif()
    if(NOT T_TIMEOUT)
        set(T_TIMEOUT 300)
    endif()
    set_tests_properties(${name} PROPERTIES LABELS ${T_LABEL} TIMEOUT ${T_TIMEOUT} SKIP_RETURN_CODE 77)
endfunction()

# tw_fuzz(NAME SOURCE f.c ROOMS ...): a libFuzzer program. Its committed inputs lie in tests/fuzz/corpus/NAME; ctest
# (label fuzz) replays them and then looks for new ones for TW_FUZZ_SECONDS (environment, 10 by default).
function(tw_fuzz name)
    cmake_parse_arguments(F "" "SOURCE" "ROOMS" ${ARGN})
    add_executable(${name} EXCLUDE_FROM_ALL ${F_SOURCE})
    list(TRANSFORM F_ROOMS PREPEND tw_)
    target_link_libraries(${name} PRIVATE ${F_ROOMS})
    tw_compile_options(${name})
    target_link_options(${name} PRIVATE -fsanitize=fuzzer)
    if(NOT TARGET fuzzers)
        add_custom_target(fuzzers)
    endif()
    add_dependencies(fuzzers ${name})
    add_test(NAME ${name} COMMAND ${PROJECT_SOURCE_DIR}/tools/fuzz-run $<TARGET_FILE:${name}>
        ${PROJECT_SOURCE_DIR}/tests/fuzz/corpus/${name} ${PROJECT_BINARY_DIR}/fuzz/${name})
    set_tests_properties(${name} PROPERTIES LABELS fuzz TIMEOUT 100000)
    set_property(GLOBAL APPEND PROPERTY TW_FUZZ_TARGETS ${name})
endfunction()
