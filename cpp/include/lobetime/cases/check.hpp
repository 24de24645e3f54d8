#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/cases/columns.hpp>
#include <lobetime/cases/findings.hpp>

#include <vector>

namespace lobetime {

/// The limits below are assumptions: round numbers beyond which a typing error is likelier than a real case.
namespace check_limits {
inline constexpr double gland_small_ml = 15.0;        ///< smaller glands are rarely enucleated
inline constexpr double gland_large_ml = 400.0;       ///< 40–60 mL typed with one nought too many
inline constexpr double tissue_over_gland = 1.1;      ///< g per mL; tissue weighs about what it measures
inline constexpr double tissue_under_gland = 0.1;     ///< g per mL; usual yields are several times that
inline constexpr double time_long_min = 480.0;        ///< eight hours
inline constexpr double phases_allowance_min = 10.0;  ///< three phases and their total, each rounded to 5 min
inline constexpr double theatre_allowance_min = 5.0;  ///< two times, each rounded to 5 min
inline constexpr std::size_t column_cases = 3;        ///< a median of fewer values says nothing about a column
inline constexpr std::size_t same_cases = 20;         ///< so many equal rows are no coincidence
}  // namespace check_limits

/// A median below `below` or above `above` can only come from another unit; single such times are warned about.
struct PlausibleMedian {
    std::string_view column;
    double below;
    std::string_view when_below;
    double above;
    std::string_view when_above;
};
const std::vector<PlausibleMedian>& plausible_medians();

/// Checks past cases.
///
/// Problems: a blank gland; a number outside its column's limits, infinite (but for a canister) or with a fraction
/// where it counts; a date before 1990; a case_id used twice; a column whose median shows another unit (litres,
/// kilograms, hours, seconds); at least 20 rows, without case_id, that are all the same.
///
/// Warnings, by kind; the row stays in:
/// - `gland_suspicious`: gland below 15 or above 400 mL
/// - `tissue_heavier_than_gland`: tissue above 1.1 g per mL of gland
/// - `tissue_far_from_gland`: tissue below 0.1 g per mL of gland
/// - `hours_not_minutes`: a time below 3 (enucleation), 5 (operation), 10 (theatre) or 1 min (the others)
/// - `time_suspicious`: a time above 480 min
/// - `contradictory_sum`: phases add up to more than the operation (or, where that is blank, the theatre time) by
///   over 10 min, or the operation takes over 5 min more than the theatre time
/// - `swaps_without_canister`: swaps recorded on a continuous drain
/// - `outcome_without_time`: morcellation not complete and without its time, so the case says nothing about it
/// - `no_time`: no time at all; the case tells about tissue only
/// - `date_in_future`: operated on after today
/// - `constant_gland`: at least 20 rows, all of one gland volume, so its effect cannot be learnt
///
/// A row-by-row warning about a unit is left out where its whole column is refused for that unit.
Findings check_history(const CaseTable& cases, const Origin& origin = {});

/// Checks booked cases: the same problems and gland warnings, as far as the columns are of use to a booking.
Findings check_bookings(const CaseTable& bookings, const Origin& origin = {});

/// Checks the limits of one numeric or date column; NaN is blank.
std::vector<Problem> check_limits_of(const Column& column, const std::vector<double>& values, TableKind kind,
                                     const Origin& origin = {});

}  // namespace lobetime
