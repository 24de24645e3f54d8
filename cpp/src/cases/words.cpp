#include <lobetime/cases/columns.hpp>
#include <lobetime/cases/words.hpp>
#include <lobetime/core/errors.hpp>

#include <algorithm>
#include <iterator>

namespace lobetime {
namespace {

// The words of a column stand in the order of its enumeration, after `unknown` where there is one.
template <class Value>
std::string_view word_of(Value value, std::string_view column, int first) {
    const int index = static_cast<int>(value) - first;
    return index < 0 ? std::string_view{} : find_column(column)->words.at(static_cast<std::size_t>(index));
}

template <class Value>
void value_of(std::string_view word, std::string_view column, int first, Value& value) {
    value = Value{};
    if (word.empty()) return;
    const auto& words = find_column(column)->words;
    const auto found = std::find(words.begin(), words.end(), word);
    if (found == words.end()) {
        throw InvalidArgument(std::string(column) + ": \"" + std::string(word) + "\" is not allowed; allowed: " +
                              allowed_values(*find_column(column), TableKind::history));
    }
    value = static_cast<Value>(static_cast<int>(std::distance(words.begin(), found)) + first);
}

}  // namespace

std::string_view to_word(BladeMotion blade) { return word_of(blade, "blade", 1); }
std::string_view to_word(Suction suction) { return word_of(suction, "suction", 1); }
std::string_view to_word(Anaesthesia anaesthesia) { return word_of(anaesthesia, "anaesthesia", 1); }
std::string_view to_word(MorcellationOutcome outcome) { return word_of(outcome, "morcellation_outcome", 0); }

void from_word(std::string_view word, BladeMotion& blade) { value_of(word, "blade", 1, blade); }
void from_word(std::string_view word, Suction& suction) { value_of(word, "suction", 1, suction); }
void from_word(std::string_view word, Anaesthesia& anaesthesia) { value_of(word, "anaesthesia", 1, anaesthesia); }
void from_word(std::string_view word, MorcellationOutcome& outcome) {
    value_of(word, "morcellation_outcome", 0, outcome);
}

}  // namespace lobetime
