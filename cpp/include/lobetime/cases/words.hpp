#pragma once
#include <lobetime/cases/case_table.hpp>

#include <string_view>

namespace lobetime {

/// The word for a value as it stands in files; "" for unknown.
std::string_view to_word(BladeMotion blade);
std::string_view to_word(Suction suction);
std::string_view to_word(Anaesthesia anaesthesia);
std::string_view to_word(MorcellationOutcome outcome);

/// Sets the value a word stands for; "" is unknown, and for an outcome complete.
/// Throws InvalidArgument for any other word, naming those allowed.
void from_word(std::string_view word, BladeMotion& blade);
void from_word(std::string_view word, Suction& suction);
void from_word(std::string_view word, Anaesthesia& anaesthesia);
void from_word(std::string_view word, MorcellationOutcome& outcome);

}  // namespace lobetime
