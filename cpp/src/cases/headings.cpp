#include <lobetime/cases/headings.hpp>

#include <algorithm>
#include <cctype>
#include <numeric>
#include <set>
#include <string_view>
#include <utility>

namespace lobetime {
namespace {

using Names = std::set<std::string, std::less<>>;

// A heading made of these alone, or holding one of the words below, names a patient.
const Names identifying_headings = {
    "name",       "patient",        "patientname", "patientid",    "patientno",          "patientnumber",
    "fullname",   "firstname",      "lastname",    "givenname",    "familyname",         "hospitalno",
    "hospitalid", "hospitalnumber", "unitnumber",  "recordnumber", "medicalrecordnumber"};
const Names identifying_words = {"mrn",       "nhs",      "dob",     "birth",    "birthdate", "birthday",
                                 "surname",   "forename", "address", "postcode", "email",     "phone",
                                 "telephone", "mobile",   "ssn",     "passport"};

const Names millilitre_words = {"ml", "cc", "cm3", "millilitre", "millilitres", "milliliter", "milliliters"};
const Names gram_words = {"g", "gm", "gr", "gram", "grams"};
const Names minute_words = {"min", "mins", "minute", "minutes"};
const Names day_words = {"d", "day", "days"};
const Names other_unit_words = {
    "l", "cl", "dl",  "ul",   "litre", "litres", "liter", "liters", "mg",     "kg",      "kilogram", "kilograms", "oz",
    "h", "hr", "hrs", "hour", "hours", "s",      "sec",   "secs",   "second", "seconds", "week",     "weeks"};

constexpr std::size_t long_name = 8;  // names this long may differ by two letters and still be a misspelling

std::string trimmed(const std::string& text) {
    const auto blank = [](char letter) { return std::isspace(static_cast<unsigned char>(letter)) != 0; };
    const auto first = std::find_if_not(text.begin(), text.end(), blank);
    const auto last = std::find_if_not(text.rbegin(), std::make_reverse_iterator(first), blank).base();
    return {first, last};
}

char lower(char letter) { return static_cast<char>(std::tolower(static_cast<unsigned char>(letter))); }

std::string column_name(const std::string& heading) {
    std::string name = trimmed(heading);
    for (char& letter : name) letter = letter == ' ' || letter == '-' ? '_' : lower(letter);
    return name;
}

/// "Gland (mL)" -> gland, ml
std::vector<std::string> words_of(std::string_view heading) {
    std::vector<std::string> words(1);
    for (const char letter : heading) {
        if (std::isalnum(static_cast<unsigned char>(letter)) != 0) {
            words.back() += lower(letter);
        } else if (!words.back().empty()) {
            words.emplace_back();
        }
    }
    if (words.back().empty()) words.pop_back();
    return words;
}

std::string joined(const std::vector<std::string>& words, std::string_view between = "") {
    std::string text;
    for (const auto& word : words) text += (text.empty() ? "" : std::string(between)) + word;
    return text;
}

bool identifies_patients(const std::string& heading) {
    const auto words = words_of(heading);
    return identifying_headings.contains(joined(words)) ||
           std::any_of(words.begin(), words.end(), [](const auto& word) { return identifying_words.contains(word); });
}

const Names& words_for_unit(std::string_view unit) {
    static const Names none;
    return unit == "mL"    ? millilitre_words
           : unit == "g"   ? gram_words
           : unit == "min" ? minute_words
           : unit == "d"   ? day_words
                           : none;
}

bool is_unit(const std::string& word) {
    for (const auto* names : {&millilitre_words, &gram_words, &minute_words, &day_words, &other_unit_words}) {
        if (names->contains(word)) return true;
    }
    return false;
}

bool names_another_unit(const std::string& heading, const Column& column) {
    const auto words = words_of(heading);
    return !column.unit.empty() && !words.empty() && is_unit(words.back()) &&
           !words_for_unit(column.unit).contains(words.back());
}

/// Letters to insert, delete or replace to turn one word into the other.
std::size_t edit_distance(const std::string& from, const std::string& to) {
    std::vector<std::size_t> row(to.size() + 1);
    std::iota(row.begin(), row.end(), std::size_t{0});
    for (std::size_t i = 0; i < from.size(); ++i) {
        std::size_t diagonal = std::exchange(row[0], i + 1);
        for (std::size_t j = 0; j < to.size(); ++j) {
            const std::size_t replaced = diagonal + (from[i] == to[j] ? 0 : 1);
            diagonal = std::exchange(row[j + 1], std::min({row[j + 1] + 1, row[j] + 1, replaced}));
        }
    }
    return row.back();
}

/// The column a heading seems to mean without being it, or nullptr.
const Column* nearly(const std::string& heading, TableKind kind) {
    auto stem = words_of(heading);
    const std::string squashed = joined(stem);
    if (!stem.empty() && is_unit(stem.back())) stem.pop_back();
    for (const Column& column : columns()) {
        if (column.need(kind) == Need::unused) continue;
        auto column_words = words_of(column.name);
        const std::string name = joined(column_words);
        if (edit_distance(squashed, name) <= (name.size() >= long_name ? 2U : 1U)) return &column;
        if (column.unit.empty() || !is_unit(column_words.back())) continue;
        column_words.pop_back();
        if (column_words == stem) return &column;
    }
    return nullptr;
}

std::string column_names(TableKind kind) {
    std::vector<std::string> names;
    for (const Column& column : columns()) {
        if (column.need(kind) != Need::unused) names.emplace_back(column.name);
    }
    return joined(names, ", ");
}

}  // namespace

MatchedHeadings match_headings(const std::vector<std::string>& headings, TableKind kind,
                               const std::map<std::string, std::string>& mapping, long heading_row) {
    MatchedHeadings matched{std::vector<std::string>(headings.size()), {}};
    auto& names = matched.columns;
    Findings& findings = matched.findings;
    std::vector<bool> settled(headings.size(), false);
    Names answered;  // columns that are there, or about which a problem already speaks
    bool any_time = false;

    const auto refuse = [&](std::string_view column, const std::string& value, const std::string& allowed) {
        findings.problems.push_back({heading_row, std::string(column), value, allowed});
    };
    const auto answer = [&](const Column& column) {
        answered.emplace(column.name);
        any_time = any_time || column.is_case_time();
    };
    const auto assign = [&](std::size_t i, const Column& column) {
        answer(column);
        names[i] = column.name;
        if (column.need(kind) != Need::unused) return;
        names[i].clear();
        findings.warnings.push_back(
            {heading_row, std::string(column.name), headings[i], "unused_column", "a column of no use here; kept out"});
    };

    for (std::size_t i = 0; i < headings.size(); ++i) {
        settled[i] = trimmed(headings[i]).empty();
        if (!identifies_patients(headings[i])) continue;
        settled[i] = true;
        refuse(trimmed(headings[i]), headings[i],
               "no column that can identify a patient: remove it from the file, nothing here needs it");
    }

    for (const auto& entry : mapping) {
        const std::string& name = entry.first;
        const std::string& wanted = entry.second;
        const Column* column = find_column(name);
        if (column == nullptr) {
            refuse(name, wanted, "a mapping of one of these columns: " + column_names(kind));
            continue;
        }
        answer(*column);
        const auto spelt = [&](const std::string& heading) { return trimmed(heading) == trimmed(wanted); };
        const auto found = std::find_if(headings.begin(), headings.end(), spelt);
        if (found == headings.end()) {
            refuse(name, wanted, "a heading of the file: " + joined(headings, ", "));
            continue;
        }
        for (std::size_t i = 0; i < headings.size(); ++i) {
            if (settled[i] || !spelt(headings[i])) continue;
            settled[i] = true;
            if (names_another_unit(headings[i], *column)) {
                refuse(name, headings[i], "values in " + std::string(column->unit) + "; the heading says otherwise");
            } else {
                assign(i, *column);
            }
        }
    }

    for (std::size_t i = 0; i < headings.size(); ++i) {
        if (settled[i]) continue;
        if (const Column* column = find_column(column_name(headings[i]))) {
            assign(i, *column);
        } else if (const Column* meant = nearly(headings[i], kind)) {
            answer(*meant);
            refuse(meant->name, headings[i],
                   "the heading " + std::string(meant->name) +
                       (meant->unit.empty() ? "" : ", values in " + std::string(meant->unit)));
        } else {
            findings.warnings.push_back({heading_row, trimmed(headings[i]), headings[i], "unknown_column",
                                         "not a column of lobetime; kept out"});
        }
    }

    Names seen;
    for (std::size_t i = 0; i < headings.size(); ++i) {
        const std::string name = names[i].empty() ? column_name(headings[i]) : names[i];
        if (!name.empty() && !seen.insert(name).second) refuse(name, headings[i], "one column of this heading");
    }

    for (const Column& column : columns()) {
        if (column.need(kind) != Need::required || answered.contains(column.name)) continue;
        const std::string name(column.name);
        refuse(name, "", "a column " + name + " (" + std::string(column.unit) + "), or a mapping of it to a heading");
    }
    if (kind == TableKind::history && !any_time) {
        std::vector<std::string> times;
        for (const Column& column : columns()) {
            if (column.is_case_time()) times.emplace_back(column.name);
        }
        refuse(joined(times, ", "), "", "at least one of these columns, or a mapping of one to a heading");
    }
    return matched;
}

}  // namespace lobetime
