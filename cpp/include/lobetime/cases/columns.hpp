#pragma once
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// History: past cases with their times. Bookings: cases that are waiting.
enum class TableKind { history, bookings };

/// What a cell of a column may hold. A count is a whole number, a flag is 0 or 1, a date is ISO 8601.
enum class ColumnKind { text, number, count, flag, word, date };

/// Whether a table must have the column, may have it, or has no use for it.
enum class Need { required, optional, unused };

/// One column a file may hold: the single place where its unit and its limits are written.
///
/// The limits of a column are assumptions: wide enough for any real case, narrow enough to refuse what cannot be
/// one. What merely looks wrong is a warning (see check.hpp).
struct Column {
    std::string_view name;
    ColumnKind kind;
    std::string_view unit;  ///< mL, g, min, d, or "" where the column has none
    double minimum;         ///< days since 1970-01-01 for a date
    double maximum;
    bool minimum_included;
    Need in_history;
    Need in_bookings;
    std::vector<std::string_view> words;  ///< the words a word column may hold
    std::string_view meaning;

    Need need(TableKind kind_of_table) const { return kind_of_table == TableKind::history ? in_history : in_bookings; }
    /// Times of the case itself; a history needs at least one of them. Turnover lies between cases.
    bool is_case_time() const { return unit == "min" && name != "turnover_min"; }
};

/// Every column, in the order in which people read them.
const std::vector<Column>& columns();

/// The column of that exact name, or nullptr.
const Column* find_column(std::string_view name);

/// What a cell of the column may hold, in words: "a number above 0 and at most 1000 mL".
std::string allowed_values(const Column& column, TableKind kind);

/// A value as people write it: "62.5", or "2024-03-01" for the day number of a date.
std::string written(double value, const Column& column);

}  // namespace lobetime
