// A unit's past cases in, a slot for each booking out; the nouns are those of the Python package.
//
// Files are read in Python (lobetime.read_cases); a C++ program fills the table from wherever its cases are. Here they
// are invented.
#include <lobetime/lobetime.hpp>

#include <cmath>
#include <cstdio>

namespace {

/// An invented unit: two surgeons, one device class, 2 L canisters.
lobetime::CaseTable past_cases() {
    lobetime::CaseTable cases(80);
    const lobetime::CounterRandom random(1, lobetime::stable_hash("quickstart"));
    for (std::size_t i = 0; i < cases.size(); ++i) {
        const auto z = random.normals(i);
        const double gland_ml = 75.0 * std::exp(0.4 * z[0]);
        cases.gland_ml[i] = std::round(gland_ml);
        cases.surgeon[i] = i % 2 == 0 ? "A" : "B";
        cases.surgeon_case_no[i] = 1.0 + std::floor(static_cast<double>(i) / 2.0) + (i % 2 == 0 ? 0.0 : 60.0);
        cases.blade[i] = lobetime::BladeMotion::oscillating;
        cases.suction[i] = lobetime::Suction::vacuum;
        cases.canister_ml[i] = 2000.0;
        cases.enucleation_min[i] = std::round((15.0 + 0.5 * gland_ml) * std::exp(0.25 * z[1]));
        cases.morcellation_min[i] = std::round((3.0 + 0.15 * gland_ml) * std::exp(0.3 * z[2]));
        cases.operative_min[i] =
            cases.enucleation_min[i] + cases.morcellation_min[i] + std::round(13.0 * std::exp(0.3 * z[3]));
    }
    return cases;
}

}  // namespace

int main() {
    const lobetime::CaseTable cases = past_cases();
    const lobetime::PriorSet prior = lobetime::published_prior();
    const lobetime::FitOptions options;
    const lobetime::FittedModel model =
        lobetime::model_from_fit(lobetime::fit_theatre_time(cases, prior, options), cases, prior, options);

    lobetime::CaseTable bookings(3);
    bookings.case_id = {"first", "second", "third"};
    bookings.gland_ml = {45.0, 80.0, 150.0};
    bookings.surgeon = {"A", "B", "A"};
    bookings.blade.assign(3, lobetime::BladeMotion::oscillating);
    bookings.suction.assign(3, lobetime::Suction::vacuum);
    bookings.canister_ml.assign(3, 2000.0);

    const lobetime::Prediction prediction = lobetime::predict(model, bookings);
    const std::vector<lobetime::Slot> slots = lobetime::slots(prediction, /*risk=*/0.2, /*round_to_min=*/5.0);
    std::printf("case      gland  slot  overrun risk  swaps  flags\n");
    for (std::size_t i = 0; i < slots.size(); ++i) {
        std::printf("%-8s %4.0f mL  %4.0f  %12.2f  %5.1f ", bookings.case_id[i].c_str(), bookings.gland_ml[i],
                    slots[i].slot_min, slots[i].overrun_risk, prediction.explanations[i].expected_swaps);
        for (const lobetime::Flag flag : prediction.flags[i]) std::printf(" %s", lobetime::flag_name(flag).data());
        std::printf("\n");
    }
    std::printf("For planning theatre time only; not clinical advice.\n");
    return 0;
}
