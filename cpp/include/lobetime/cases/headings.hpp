#pragma once
#include <lobetime/cases/columns.hpp>
#include <lobetime/cases/findings.hpp>

#include <map>
#include <string>
#include <vector>

namespace lobetime {

struct MatchedHeadings {
    std::vector<std::string> columns;  ///< for each heading the column it is, or "" when it is kept out
    Findings findings;
};

/// Finds the column of each heading of a file.
///
/// A heading is a column when it is that name, whatever its case and with spaces or hyphens for underscores; the
/// mapping (column -> the unit's own heading) comes first. Nothing is guessed:
/// - problems: a required column or every time is missing; two headings for one column; a heading that identifies
///   patients; a heading that is nearly a column or the column in another unit; a mapping to a heading that is not
///   there or names another unit;
/// - warnings: `unknown_column`, `unused_column` (known, but of no use to this kind of table). Both are kept out.
///
/// A blank heading is kept out without a word: only the caller knows whether anything stands below it.
MatchedHeadings match_headings(const std::vector<std::string>& headings, TableKind kind,
                               const std::map<std::string, std::string>& mapping = {}, long heading_row = 1);

}  // namespace lobetime
