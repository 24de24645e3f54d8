#pragma once
#include <cstddef>
#include <cstdint>
#include <span>
#include <stdexcept>
#include <string>

/// What is fuzzed: functions that take any bytes and throw `Violation` (or crash) where the library breaks a promise.
namespace lobetime::fuzz {

using Input = std::span<const std::uint8_t>;

class Violation : public std::logic_error {
public:
    using std::logic_error::logic_error;
};

inline void require(bool kept, const std::string& promise) {
    if (!kept) throw Violation("broken promise: " + promise);
}

// Each tells whether the input was taken; false: refused by an error of the library.
bool model_file(Input input);  ///< a model file's bytes
bool fit(Input input);         ///< a small table of cases and options of a fit, by `Source`
bool lists(Input input);       ///< sessions, draws and lists, by `Source`

}  // namespace lobetime::fuzz
