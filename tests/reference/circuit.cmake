# CVODE (SUNDIALS) for tests and benchmarks only; Debian ships no pkg-config file for it.
find_path(TW_SUNDIALS_INCLUDE cvode/cvode.h)
set(TW_SUNDIALS_LIBRARIES)
foreach(part cvode nvecserial sunmatrixdense sunlinsoldense)
    find_library(TW_SUNDIALS_${part} sundials_${part})
    list(APPEND TW_SUNDIALS_LIBRARIES ${TW_SUNDIALS_${part}})
endforeach()
if(TW_SUNDIALS_INCLUDE AND NOT TW_SUNDIALS_LIBRARIES MATCHES "NOTFOUND")
    tw_test(test_circuit_cvode SOURCES reference/test_circuit_cvode.c reference/stage_by_integration.c
        ROOMS circuit SYSTEM ${TW_SUNDIALS_LIBRARIES} PRIVATE_OF circuit LABEL full)
    target_include_directories(test_circuit_cvode SYSTEM PRIVATE ${TW_SUNDIALS_INCLUDE})
    tw_test(test_circuit_mains SOURCES reference/test_circuit_mains.c ROOMS circuit SYSTEM ${TW_SUNDIALS_LIBRARIES}
        LABEL full)
    target_include_directories(test_circuit_mains SYSTEM PRIVATE ${TW_SUNDIALS_INCLUDE})
    tw_test(test_circuit_stages SOURCES reference/test_circuit_stages.c ROOMS circuit SYSTEM ${TW_SUNDIALS_LIBRARIES}
        LABEL full)
    target_include_directories(test_circuit_stages SYSTEM PRIVATE ${TW_SUNDIALS_INCLUDE})
else()
    message(STATUS "SUNDIALS CVODE not found: no test of the engine against it")
endif()
tw_test(test_circuit_published SOURCES reference/test_circuit_published.c ROOMS circuit PRIVATE_OF circuit)
tw_test(test_circuit_arrangements SOURCES reference/test_circuit_arrangements.c ROOMS circuit)
