#pragma once
#include <cstddef>
#include <limits>
#include <string>
#include <vector>

namespace lobetime {

/// Something that is refused. Rows count as in a spreadsheet: the heading is row 1 unless the file starts later.
struct Problem {
    long row;
    std::string column;
    std::string value;
    std::string allowed;
};

/// Something that only looks wrong: named, told, and kept.
struct Warning {
    long row;
    std::string column;
    std::string value;
    std::string kind;
    std::string message;
};

struct Findings {
    std::vector<Problem> problems;
    std::vector<Warning> warnings;
};

/// Where the cases stood in their file, and what the table itself does not hold.
struct Origin {
    long heading_row = 1;
    std::vector<long> rows{};               ///< row of each case; empty: straight below the heading
    std::vector<double> operated_on_day{};  ///< days since 1970-01-01, NaN blank; empty: no dates
    double today_day = std::numeric_limits<double>::infinity();  ///< dates after it are warned about

    long row(std::size_t i) const { return rows.empty() ? heading_row + 1 + static_cast<long>(i) : rows.at(i); }
    double day(std::size_t i) const {
        return operated_on_day.empty() ? std::numeric_limits<double>::quiet_NaN() : operated_on_day.at(i);
    }
};

}  // namespace lobetime
