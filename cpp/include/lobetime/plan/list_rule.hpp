#pragma once
#include <lobetime/plan/list_times.hpp>

#include <limits>
#include <span>

namespace lobetime {

/// What a list on one session may be. Every limit only grows when a case is added, so the lists that keep a rule are
/// closed under leaving cases out.
struct ListRule {
    double minutes = 480.0;                                                  ///< length of the session
    double grace_min = 0.0;                                                  ///< an overrun begins after it
    double overrun_risk = 0.2;                                               ///< most chance of an overrun; 1 = any
    double expected_overtime_min = std::numeric_limits<double>::infinity();  ///< most mean minutes over the session
    double far_over_min = std::numeric_limits<double>::infinity();           ///< more than so many over the session...
    double far_over_risk = 0.05;                                             ///< ...at most with this chance
    int most_cases = 12;
    int most_large = std::numeric_limits<int>::max();  ///< cases marked as large
    void check() const;                                ///< throws InvalidArgument
};

/// What a list costs, in any one unit of money or minutes.
struct ListCost {
    double open_per_min = 0.0;      ///< for each minute of a session that is used at all
    double overtime_per_min = 0.0;  ///< for each expected minute over the session
    double idle_per_min = 0.0;      ///< for each expected minute of a used session after the last case
    void check() const;             ///< throws InvalidArgument: not finite, negative
};

struct ListRisk {
    double overrun = 0.0;   ///< chance to end later than session and grace
    double far_over = 0.0;  ///< chance to end later than session and far_over_min
    double mean_min = 0.0;
    double overtime_min = 0.0;  ///< E (finish - session)+
    double idle_min = 0.0;      ///< E (session - finish)+
    bool keeps(const ListRule& rule) const;
    double cost(const ListRule& rule, const ListCost& cost) const;
};

/// Risk of a list (positions of its cases in `times`), counted over all draws. Large glands and the number of cases are
/// not looked at. Throws InvalidArgument: more cases than `times` has turnovers for, a case that is not there.
ListRisk list_risk(const ListTimes& times, std::span<const int> list, const ListRule& rule);

}  // namespace lobetime
