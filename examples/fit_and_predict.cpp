// A unit's past cases in, the parameters that they tell and a slot for each booking out. The unit is invented.
#include <lobetime/lobetime.hpp>

#include <cstdio>

namespace {

struct Row {
    double gland_ml, surgeon_case_no, enucleation_min, morcellation_min, operative_min;
};

constexpr Row kRows[] = {
    {48, 61, 38, 9, 60},    {92, 12, 71, 19, 108},  {65, 62, 49, 12, 75},   {120, 13, 88, 24, 131},
    {80, 63, 55, 15, 84},   {55, 14, 50, 11, 76},   {150, 64, 93, 31, 141}, {73, 15, 58, 14, 87},
    {60, 65, 41, 12, 66},   {105, 16, 77, 22, 115}, {88, 66, 60, 17, 92},   {42, 17, 37, 8, 58},
    {135, 67, 86, 27, 128}, {70, 18, 56, 13, 84},   {95, 68, 66, 19, 99},   {58, 19, 47, 12, 73},
    {110, 69, 70, 24, 110}, {77, 20, 59, 16, 90},   {63, 70, 44, 12, 70},   {180, 21, 124, 41, 184}};

/// `n` cases with one device class and 2 L canisters.
lobetime::CaseTable cases_of(std::size_t n) {
    lobetime::CaseTable cases(n);
    cases.blade.assign(n, lobetime::BladeMotion::oscillating);
    cases.suction.assign(n, lobetime::Suction::vacuum);
    cases.canister_ml.assign(n, 2000.0);
    return cases;
}

}  // namespace

int main() {
    lobetime::CaseTable past = cases_of(std::size(kRows));
    for (std::size_t i = 0; i < past.size(); ++i) {
        past.surgeon[i] = i % 2 == 0 ? "A" : "B";
        past.gland_ml[i] = kRows[i].gland_ml;
        past.surgeon_case_no[i] = kRows[i].surgeon_case_no;
        past.enucleation_min[i] = kRows[i].enucleation_min;
        past.morcellation_min[i] = kRows[i].morcellation_min;
        past.operative_min[i] = kRows[i].operative_min;
    }
    const lobetime::PriorSet prior = lobetime::published_prior();
    const lobetime::FitOptions options;
    const lobetime::FittedModel model =
        lobetime::model_from_fit(lobetime::fit_theatre_time(past, prior, options), past, prior, options);
    for (const char* name : {"e_80", "e_exponent", "rate_50", "swap_min"}) {
        const int i = lobetime::core_parameter_index(name);
        const double estimate = lobetime::to_natural(model.layout.transform(i), model.theta[i]);
        std::printf("%-10s %6.3f %-6s %s\n", name, estimate, std::string(model.layout.unit(i)).c_str(),
                    std::string(lobetime::origin_words(model.sources[static_cast<std::size_t>(i)].origin)).c_str());
    }

    lobetime::CaseTable bookings = cases_of(3);
    bookings.case_id = {"first", "second", "third"};
    bookings.gland_ml = {45.0, 80.0, 150.0};
    bookings.surgeon = {"A", "B", "A"};
    const std::vector<lobetime::Slot> slots =
        lobetime::slots(lobetime::predict(model, bookings), /*risk=*/0.2, /*round_to_min=*/5.0);
    for (std::size_t i = 0; i < slots.size(); ++i)
        std::printf("%-6s %3.0f mL  %3.0f min  risk %.4f\n", bookings.case_id[i].c_str(), bookings.gland_ml[i],
                    slots[i].slot_min, slots[i].overrun_risk);
    std::printf("For planning theatre time only; not clinical advice.\n");
    return 0;
}
