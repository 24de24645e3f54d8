#include "targets.hpp"

// What libFuzzer calls.
extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    lobetime::fuzz::LOBETIME_FUZZ_TARGET({data, size});
    return 0;
}
