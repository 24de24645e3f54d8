#include <lobetime/cases/case_numbers.hpp>
#include <lobetime/cases/columns.hpp>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <string>

namespace lobetime {
namespace {

constexpr double blank = std::numeric_limits<double>::quiet_NaN();

std::string number_text(double number) { return written(number, *find_column("surgeon_case_no")); }

/// Fills one surgeon's numbers, given in order of date. Returns the position of a recorded number that is too small
/// for the cases before it, or the number of cases when there is none.
std::size_t fill(std::vector<double>& numbers) {
    const auto recorded = [](double number) { return !std::isnan(number); };
    const auto first = std::find_if(numbers.begin(), numbers.end(), recorded);
    const bool none = first == numbers.end();
    const auto before_first = none ? std::size_t{0} : static_cast<std::size_t>(first - numbers.begin());
    double previous = none ? 0.0 : *first - static_cast<double>(before_first) - 1.0;
    const bool too_small = previous < 0.0;
    for (std::size_t i = 0; i < numbers.size(); ++i) {
        if (!recorded(numbers[i])) numbers[i] = previous + 1.0;
        previous = numbers[i];
    }
    if (!too_small) return numbers.size();
    std::fill_n(numbers.begin(), before_first, blank);
    return before_first;
}

}  // namespace

std::vector<Warning> derive_case_numbers(CaseTable& cases, const Origin& origin) {
    std::map<std::string, std::vector<std::size_t>> cases_of;
    for (std::size_t i = 0; i < cases.size(); ++i) {
        if (!cases.surgeon[i].empty() && !std::isnan(origin.day(i))) cases_of[cases.surgeon[i]].push_back(i);
    }

    std::vector<Warning> warnings;
    for (auto& entry : cases_of) {
        const std::string& surgeon = entry.first;
        std::vector<std::size_t>& order = entry.second;
        // Numbers recorded for one day come in their own order, blanks of that day after them.
        const auto number = [&](std::size_t i) {
            return std::isnan(cases.surgeon_case_no[i]) ? std::numeric_limits<double>::infinity()
                                                        : cases.surgeon_case_no[i];
        };
        std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
            return origin.day(a) != origin.day(b) ? origin.day(a) < origin.day(b) : number(a) < number(b);
        });

        std::vector<double> numbers;
        numbers.reserve(order.size());
        for (const std::size_t i : order) numbers.push_back(cases.surgeon_case_no[i]);
        const bool none_recorded = std::all_of(numbers.begin(), numbers.end(), [](double n) { return std::isnan(n); });
        const std::size_t too_small = fill(numbers);

        if (none_recorded) {
            warnings.push_back(
                {origin.row(order.front()), "surgeon_case_no", surgeon, "case_numbers_counted_from_file",
                 "no case number of this surgeon is recorded: counted from 1 in this file, earlier cases "
                 "are unknown"});
        }
        const auto out_of_order = [&](std::size_t position, const std::string& message) {
            warnings.push_back({origin.row(order[position]), "surgeon_case_no", number_text(numbers[position]),
                                "case_number_out_of_order", message});
        };
        if (too_small < numbers.size()) {
            out_of_order(too_small, "the file holds " + std::to_string(too_small) + " earlier cases");
        }
        for (std::size_t position = 1; position < numbers.size(); ++position) {
            if (numbers[position] <= numbers[position - 1]) {
                out_of_order(position, "the case before it by date has number " + number_text(numbers[position - 1]));
            }
        }
        for (std::size_t position = 0; position < order.size(); ++position) {
            cases.surgeon_case_no[order[position]] = numbers[position];
        }
    }
    std::stable_sort(warnings.begin(), warnings.end(),
                     [](const Warning& a, const Warning& b) { return a.row < b.row; });
    return warnings;
}

}  // namespace lobetime
