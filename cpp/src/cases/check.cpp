#include <lobetime/cases/check.hpp>
#include <lobetime/cases/visit_columns.hpp>

#include <algorithm>
#include <cmath>
#include <limits>
#include <string>
#include <type_traits>
#include <unordered_map>

namespace lobetime {
namespace {

using namespace check_limits;
using Names = std::vector<std::string_view>;

struct NumberColumn {
    const Column* column;
    const std::vector<double>* values;
    const PlausibleMedian* plausible;  // nullptr where a wrong unit cannot be told from the values
};

const PlausibleMedian* plausible_median_of(std::string_view column) {
    const auto& all = plausible_medians();
    const auto found =
        std::find_if(all.begin(), all.end(), [&](const PlausibleMedian& entry) { return entry.column == column; });
    return found == all.end() ? nullptr : &*found;
}

/// Whether two cells hold the same; a blank is the same as a blank.
bool same_cell(double a, double b) { return a == b || (std::isnan(a) && std::isnan(b)); }

template <class Value>
bool same_cell(const Value& a, const Value& b) {
    return a == b;
}

/// The checks of one table, writing what they find into `findings`.
class Checker {
public:
    Checker(const CaseTable& cases, TableKind kind, const Origin& origin)
        : cases_(cases), kind_(kind), origin_(origin) {
        require_equal_lengths(cases);
        visit_columns(cases_, [this](std::string_view name, const auto& values) {
            if constexpr (std::is_same_v<std::decay_t<decltype(values)>, std::vector<double>>) {
                const Column* column = find_column(name);
                if (column->need(kind_) == Need::unused) return;
                numbers_.push_back({column, &values, plausible_median_of(name)});
                if (column->unit == "min") times_.push_back(numbers_.back());
            }
        });
    }

    void problems() {
        for (const auto& [column, values, plausible] : numbers_) {
            auto found = check_limits_of(*column, *values, kind_, origin_);
            std::move(found.begin(), found.end(), std::back_inserter(findings.problems));
        }
        if (!origin_.operated_on_day.empty()) {
            auto found = check_limits_of(*find_column("operated_on"), origin_.operated_on_day, kind_, origin_);
            std::move(found.begin(), found.end(), std::back_inserter(findings.problems));
        }
        repeated_ids();
        medians();
    }

    void gland_warnings() {
        if (refused("gland_ml")) return;
        for (std::size_t i = 0; i < cases_.size(); ++i) {
            const double gland = cases_.gland_ml[i];
            if (gland < gland_small_ml || gland > gland_large_ml) {
                warn(i, "gland_ml", gland, "gland_suspicious",
                     gland < gland_small_ml ? "an unusually small gland: a digit lost?"
                                            : "an unusually large gland: a digit too many?");
            }
        }
    }

    void history_warnings() {
        for (std::size_t i = 0; i < cases_.size(); ++i) {
            tissue(i);
            times(i);
            sums(i);
            morcellation(i);
            if (origin_.day(i) > origin_.today_day) {
                warn(i, "operated_on", origin_.day(i), "date_in_future", "operated on after today");
            }
        }
    }

    void sameness() {
        if (cases_.size() < same_cases) return;
        const auto& gland = cases_.gland_ml;
        if (!std::all_of(gland.begin(), gland.end(), [&](double ml) { return ml == gland.front(); })) return;
        bool all_same = true;
        const auto compare = [&](std::string_view, const auto& values) {
            all_same = all_same && std::all_of(values.begin(), values.end(),
                                               [&](const auto& value) { return same_cell(value, values.front()); });
        };
        visit_columns(cases_, compare);
        compare("operated_on", origin_.operated_on_day);
        if (all_same && cases_.case_id.front().empty()) {
            findings.problems.push_back({origin_.heading_row, "", std::to_string(cases_.size()) + " equal rows",
                                         "rows that differ: every row is the same"});
        } else {
            findings.warnings.push_back({origin_.heading_row, "gland_ml", text("gland_ml", gland.front()),
                                         "constant_gland",
                                         "every gland has the same volume: its effect cannot be learnt"});
        }
    }

    Findings findings;

private:
    std::string text(std::string_view column, double value) const { return written(value, *find_column(column)); }

    void warn(std::size_t i, std::string_view column, double value, std::string_view kind, const std::string& message) {
        findings.warnings.push_back(
            {origin_.row(i), std::string(column), text(column, value), std::string(kind), message});
    }

    bool refused(std::string_view column) const {
        return std::find(refused_.begin(), refused_.end(), column) != refused_.end();
    }

    void repeated_ids() {
        std::unordered_map<std::string_view, std::size_t> first;
        for (std::size_t i = 0; i < cases_.size(); ++i) {
            const std::string& id = cases_.case_id[i];
            if (id.empty()) continue;
            const auto [known, is_new] = first.try_emplace(id, i);
            if (is_new) continue;
            findings.problems.push_back(
                {origin_.row(i), "case_id", id,
                 "an id of its own; row " + std::to_string(origin_.row(known->second)) + " has this one"});
        }
    }

    void medians() {
        for (const auto& [column, values, plausible] : numbers_) {
            if (plausible != nullptr) median(*column, *values, *plausible);
        }
    }

    void median(const Column& column, const std::vector<double>& values, const PlausibleMedian& plausible) {
        std::vector<double> recorded;
        std::copy_if(values.begin(), values.end(), std::back_inserter(recorded),
                     [](double value) { return value > 0.0 && std::isfinite(value); });
        if (recorded.size() < column_cases) return;
        const auto middle = recorded.begin() + static_cast<std::ptrdiff_t>(recorded.size() / 2);
        std::nth_element(recorded.begin(), middle, recorded.end());
        if (*middle >= plausible.below && *middle <= plausible.above) return;
        refused_.push_back(column.name);
        findings.problems.push_back(
            {origin_.heading_row, std::string(column.name), "median " + written(*middle, column),
             std::string(*middle < plausible.below ? plausible.when_below : plausible.when_above)});
    }

    void tissue(std::size_t i) {
        if (refused("tissue_g") || refused("gland_ml")) return;
        const double tissue = cases_.tissue_g[i];
        const double gland = cases_.gland_ml[i];
        if (tissue > tissue_over_gland * gland) {
            warn(i, "tissue_g", tissue, "tissue_heavier_than_gland",
                 "more tissue than the gland of " + text("gland_ml", gland) + " mL can hold");
        } else if (tissue < tissue_under_gland * gland) {
            warn(i, "tissue_g", tissue, "tissue_far_from_gland",
                 "very little tissue for a gland of " + text("gland_ml", gland) + " mL");
        }
    }

    void times(std::size_t i) {
        bool any_time = false;
        for (const auto& [column, values, plausible] : times_) {
            const double minutes = (*values)[i];
            if (std::isnan(minutes)) continue;
            any_time = any_time || column->is_case_time();
            if (refused(column->name)) continue;
            if (minutes < plausible->below) {
                warn(i, column->name, minutes, "hours_not_minutes", "very short: typed in hours?");
            } else if (minutes > time_long_min) {
                warn(i, column->name, minutes, "time_suspicious", "very long: a digit too many, or seconds?");
            }
        }
        if (!any_time) {
            findings.warnings.push_back(
                {origin_.row(i), "", "", "no_time", "no time recorded: the case tells about tissue only"});
        }
    }

    void sums(std::size_t i) {
        for (const auto& [column, values, plausible] : times_) {
            if (refused(column->name)) return;  // the sums of two units would contradict each other everywhere
        }
        const auto known = [](double minutes) { return std::isnan(minutes) ? 0.0 : minutes; };
        const double phases =
            known(cases_.enucleation_min[i]) + known(cases_.haemostasis_min[i]) + known(cases_.morcellation_min[i]);
        const double operative = cases_.operative_min[i];
        const double theatre = cases_.theatre_min[i];
        const bool no_operative = std::isnan(operative);
        const std::string_view whole_name = no_operative ? "theatre_min" : "operative_min";
        const double whole = no_operative ? theatre : operative;
        if (phases > whole + phases_allowance_min) {
            warn(i, whole_name, whole, "contradictory_sum",
                 "the phases add up to " + text("operative_min", phases) + " min");
        }
        if (operative > theatre + theatre_allowance_min) {
            warn(i, "operative_min", operative, "contradictory_sum",
                 "longer than the theatre time of " + text("theatre_min", theatre) + " min");
        }
    }

    void morcellation(std::size_t i) {
        if (std::isinf(cases_.canister_ml[i]) && cases_.canister_swaps[i] > 0.0) {
            warn(i, "canister_swaps", cases_.canister_swaps[i], "swaps_without_canister",
                 "swaps recorded, yet no canister capacity: a continuous drain needs none");
        }
        if (cases_.morcellation_outcome[i] != MorcellationOutcome::complete && std::isnan(cases_.morcellation_min[i])) {
            findings.warnings.push_back({origin_.row(i), "morcellation_min", "", "outcome_without_time",
                                         "morcellation not complete and not timed: the case says nothing about it"});
        }
    }

    const CaseTable& cases_;
    TableKind kind_;
    const Origin& origin_;
    std::vector<NumberColumn> numbers_;
    std::vector<NumberColumn> times_;
    Names refused_;
};

}  // namespace

const std::vector<PlausibleMedian>& plausible_medians() {
    constexpr double any = std::numeric_limits<double>::infinity();
    constexpr std::string_view hours = "minutes; the column looks like hours";
    constexpr std::string_view seconds = "minutes; the column looks like seconds";
    static const std::vector<PlausibleMedian> all = {
        {"gland_ml", 5.0, "millilitres; the column looks like litres or centilitres", any, ""},
        {"tissue_g", 1.0, "grams; the column looks like kilograms", any, ""},
        {"enucleation_min", 3.0, hours, time_long_min, seconds},
        {"haemostasis_min", 1.0, hours, time_long_min, seconds},
        {"morcellation_min", 1.0, hours, time_long_min, seconds},
        {"operative_min", 5.0, hours, time_long_min, seconds},
        {"theatre_min", 10.0, hours, time_long_min, seconds},
        {"turnover_min", 1.0, hours, time_long_min, seconds},
    };
    return all;
}

std::vector<Problem> check_limits_of(const Column& column, const std::vector<double>& values, TableKind kind,
                                     const Origin& origin) {
    std::vector<Problem> problems;
    const bool whole = column.kind == ColumnKind::count || column.kind == ColumnKind::flag;
    const bool required = column.need(kind) == Need::required;
    const bool may_drain = column.name == "canister_ml";
    const std::string allowed = allowed_values(column, kind);
    for (std::size_t i = 0; i < values.size(); ++i) {
        const double value = values[i];
        const bool blank = std::isnan(value);
        const bool inside = (column.minimum_included ? value >= column.minimum : value > column.minimum) &&
                            value <= column.maximum && !(whole && value != std::floor(value));
        const bool drains = may_drain && std::isinf(value) && value > 0.0;
        if (blank ? !required : inside || drains) continue;
        problems.push_back({origin.row(i), std::string(column.name), blank ? "" : written(value, column), allowed});
    }
    return problems;
}

Findings check_history(const CaseTable& cases, const Origin& origin) {
    Checker checker(cases, TableKind::history, origin);
    checker.problems();
    checker.sameness();
    checker.gland_warnings();
    checker.history_warnings();
    return std::move(checker.findings);
}

Findings check_bookings(const CaseTable& bookings, const Origin& origin) {
    Checker checker(bookings, TableKind::bookings, origin);
    checker.problems();
    checker.gland_warnings();
    return std::move(checker.findings);
}

}  // namespace lobetime
