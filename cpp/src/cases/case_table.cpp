#include <lobetime/cases/case_table.hpp>
#include <lobetime/cases/visit_columns.hpp>
#include <lobetime/core/errors.hpp>

#include <limits>
#include <string_view>
#include <type_traits>
#include <utility>

namespace lobetime {

CaseTable::CaseTable(std::size_t n_cases) {
    visit_columns(*this, [n_cases](std::string_view, auto& column) {
        using Value = typename std::remove_reference_t<decltype(column)>::value_type;
        if constexpr (std::is_same_v<Value, double>) {
            column.assign(n_cases, std::numeric_limits<double>::quiet_NaN());
        } else {
            column.assign(n_cases, Value{});
        }
    });
}

CaseTable take(const CaseTable& cases, const std::vector<std::size_t>& positions) {
    require_equal_lengths(cases);
    for (const std::size_t position : positions) {
        if (position >= cases.size()) {
            throw InvalidArgument("positions: " + std::to_string(position) + " is outside a table of " +
                                  std::to_string(cases.size()) + " cases");
        }
    }
    CaseTable taken = cases;
    visit_columns(taken, [&positions](std::string_view, auto& column) {
        std::remove_reference_t<decltype(column)> picked;
        picked.reserve(positions.size());
        for (const std::size_t position : positions) picked.push_back(column[position]);
        column = std::move(picked);
    });
    return taken;
}

void require_equal_lengths(const CaseTable& cases) {
    visit_columns(cases, [&cases](std::string_view name, const auto& column) {
        if (column.size() != cases.size()) {
            throw InvalidArgument(std::string(name) + ": has " + std::to_string(column.size()) +
                                  " entries; gland_ml has " + std::to_string(cases.size()));
        }
    });
}

}  // namespace lobetime
