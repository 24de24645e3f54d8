#pragma once
#include <cstddef>
#include <string>
#include <vector>

namespace lobetime {

enum class BladeMotion { unknown, reciprocating, oscillating };
enum class Suction { unknown, vacuum, peristaltic, wall };
enum class Anaesthesia { unknown, general, spinal };
enum class MorcellationOutcome { complete, deferred, other_route };

/// Cases by column: past cases (history) or booked ones (no times).
///
/// Every column has `size()` entries. A blank number is NaN, a blank text is "". A blank canister is NaN
/// (not recorded) while a continuous drain has capacity +infinity. Units are in the names: mL, g, min.
/// Nothing is validated here; `check_history` and `check_bookings` do that.
struct CaseTable {
    explicit CaseTable(std::size_t n_cases = 0);
    std::size_t size() const { return gland_ml.size(); }

    std::vector<std::string> case_id;  ///< opaque text; seeds the case's random stream, never stored in a model
    std::vector<double> gland_ml;
    std::vector<double> tissue_g;
    std::vector<std::string> surgeon;
    std::vector<double> surgeon_case_no;  ///< the surgeon's running count of independent enucleations, >= 1
    std::vector<BladeMotion> blade;
    std::vector<Suction> suction;
    std::vector<std::string> device;  ///< the unit's own code for a device, or ""
    std::vector<double> canister_ml;
    std::vector<double> canister_swaps;
    std::vector<double> enucleation_min, haemostasis_min, morcellation_min, operative_min, theatre_min, turnover_min;
    std::vector<MorcellationOutcome> morcellation_outcome;
    std::vector<double> device_fault, hard_nodule, trainee, anticoagulated;  ///< 0, 1 or NaN
    std::vector<Anaesthesia> anaesthesia;
};

}  // namespace lobetime
