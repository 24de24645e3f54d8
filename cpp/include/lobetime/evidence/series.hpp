#pragma once
#include <array>
#include <limits>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// What a series reports of one number. NaN where it says nothing.
struct Reported {
    static constexpr double kBlank = std::numeric_limits<double>::quiet_NaN();
    double value = kBlank;  ///< mean or median, as the series' `statistic` says
    double sd = kBlank;
    double q1 = kBlank, q3 = kBlank, lowest = kBlank, highest = kBlank;  ///< of a median
    bool is_blank() const { return value != value; }
};

enum class Experience {
    expert,  ///< averaged over the surgeons' cases 100 to 400, where the case numbers are not said
    mixed,   ///< over their first 100
    novice   ///< over their first 50
};
enum class Statistic { mean, median };

/// One group of cases of one publication.
struct Series {
    std::string id{};
    std::string study{};  ///< rows of one publication or centre; they are left out together
    std::string unit{};   ///< rows of one unit share its levels
    std::string citation{}, design{};
    double year = Reported::kBlank;  ///< of publication; of the last cases, where only that was seen
    double n = Reported::kBlank;
    Statistic statistic = Statistic::mean;
    bool by_size = false;  ///< glands of a limited range of sizes: volumes scatter less
    double gland_from_ml = Reported::kBlank, gland_to_ml = Reported::kBlank;
    Reported gland{}, tissue{}, enucleation{}, morcellation{}, operative{};  ///< mL, g, min
    Reported enucleation_rate{}, morcellation_rate{}, operative_rate{};      ///< g/min, mean of ratios
    std::string blade{};                                                     ///< reciprocating, oscillating or blank
    Experience experience = Experience::expert;
    double first_case = Reported::kBlank, last_case = Reported::kBlank;  ///< the surgeons' case numbers
    double n_units = Reported::kBlank;                                   ///< how many it is a mean of; blank: one
    double n_surgeons = Reported::kBlank;                                ///< blank: two a unit
    bool own = false;                                                    ///< added by the user
    std::string note{};
};

/// A number that series report: its column in a table of series, its unit, and where it is held.
struct SeriesQuantity {
    std::string_view column, stem, unit;
    Reported Series::*reported;
    double lowest, highest;  ///< allowed values
};
const std::array<SeriesQuantity, 8>& series_quantities();

/// The published series that the prior is computed from; every figure was seen in a retrieved abstract or text.
const std::vector<Series>& published_series();

std::string_view experience_name(Experience experience);
Experience experience_from_name(std::string_view name);  ///< throws InvalidArgument
std::string_view statistic_name(Statistic statistic);
Statistic statistic_from_name(std::string_view name);  ///< throws InvalidArgument

/// Throws InvalidArgument naming every row, column and value that cannot be, and what is allowed.
void check_series(std::span<const Series> series);

}  // namespace lobetime
