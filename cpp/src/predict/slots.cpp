#include <lobetime/core/errors.hpp>
#include <lobetime/predict/slots.hpp>

#include <algorithm>
#include <cmath>

namespace lobetime {

double overrun_risk(const Prediction& prediction, std::size_t case_index, double minutes) {
    if (case_index >= prediction.n_cases) throw InvalidArgument("overrun_risk: no such case");
    if (std::isnan(minutes)) throw InvalidArgument("overrun_risk: minutes must be a number");
    std::size_t over = 0;
    for (std::size_t d = 0; d < prediction.n_draws; ++d) over += prediction.total(case_index, d) > minutes ? 1 : 0;
    return static_cast<double>(over) / static_cast<double>(prediction.n_draws);
}

std::vector<Slot> slots(const Prediction& prediction, double risk, double round_to_min) {
    if (!(risk > 0.0 && risk < 1.0)) throw InvalidArgument("overrun_risk must lie strictly between 0 and 1");
    if (!(round_to_min > 0.0 && std::isfinite(round_to_min)))
        throw InvalidArgument("round_to must be a positive number of minutes");
    std::vector<Slot> out(prediction.n_cases);
    std::vector<double> totals(prediction.n_draws);
    // At most this many draws may lie above the slot.
    const std::size_t may_exceed =
        static_cast<std::size_t>(std::floor(risk * static_cast<double>(totals.size()) + 1e-9));
    for (std::size_t i = 0; i < prediction.n_cases; ++i) {
        for (std::size_t d = 0; d < totals.size(); ++d) totals[d] = prediction.total(i, d);
        const auto nth = totals.end() - 1 - static_cast<std::ptrdiff_t>(std::min(may_exceed, totals.size() - 1));
        std::nth_element(totals.begin(), nth, totals.end());
        out[i].slot_min = round_to_min * std::ceil(*nth / round_to_min);
        out[i].overrun_risk = overrun_risk(prediction, i, out[i].slot_min);
    }
    return out;
}

}  // namespace lobetime
