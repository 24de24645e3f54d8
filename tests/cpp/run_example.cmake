# Runs EXAMPLE and compares what it prints with EXPECTED, to the last character.
execute_process(COMMAND ${EXAMPLE} RESULT_VARIABLE status OUTPUT_VARIABLE output ERROR_VARIABLE errors)
file(READ ${EXPECTED} expected)
if(NOT status EQUAL 0 OR NOT errors STREQUAL "" OR NOT output STREQUAL expected)
    message(FATAL_ERROR "${EXAMPLE} ended with ${status} and printed\n${output}${errors}\ninstead of\n${expected}")
endif()
