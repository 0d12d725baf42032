# The house checks (tools/check-*), and for each a proof that it can fail. They read the sources, not the build, so one
# build of the several in `make check` would do; they are quick enough to run in all.
foreach(check layers bans functions format headers marks links)
    add_test(NAME check_${check} COMMAND ${PROJECT_SOURCE_DIR}/tools/check-${check})
    set_tests_properties(check_${check} PROPERTIES LABELS "quick;house" SKIP_RETURN_CODE 77)
endforeach()
foreach(check layers bans functions format headers marks links state)
    add_test(NAME check_${check}_can_fail COMMAND ${PROJECT_SOURCE_DIR}/tests/headers/selftest.sh ${check})
    set_tests_properties(check_${check}_can_fail PROPERTIES LABELS "quick;house" SKIP_RETURN_CODE 77)
endforeach()

# Instrumented objects hold counters, so this one looks at plain builds only.
get_property(rooms GLOBAL PROPERTY TW_ROOM_TARGETS)
if(rooms AND NOT TW_SANITIZE AND NOT TW_COVERAGE)
    list(TRANSFORM rooms REPLACE "(.+)" "$<TARGET_FILE:\\1>")
    add_test(NAME check_state COMMAND ${PROJECT_SOURCE_DIR}/tools/check-state ${rooms})
    set_tests_properties(check_state PROPERTIES LABELS "quick;house")
endif()
