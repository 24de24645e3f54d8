#pragma once
#include <lobetime/predict/prediction.hpp>

#include <vector>

namespace lobetime {

/// Share of a case's draws (theatre time) that are longer than `minutes`.
double overrun_risk(const Prediction& prediction, std::size_t case_index, double minutes);

struct Slot {
    double slot_min = 0.0;      ///< smallest multiple of the grid with at most the asked risk
    double overrun_risk = 0.0;  ///< the risk that is left at that slot
};

/// One slot a case. `risk` in (0, 1), `round_to_min` > 0. Throws InvalidArgument.
std::vector<Slot> slots(const Prediction& prediction, double risk = 0.2, double round_to_min = 5.0);

}  // namespace lobetime
