#include <lobetime/lobetime.hpp>

#include <cstdio>

// What a program that knows nothing but the installed headers does: fit a small unit, book one case.
int main() {
    std::printf("lobetime %s\n", lobetime::version());

    lobetime::CaseTable cases(12);
    for (std::size_t i = 0; i < cases.size(); ++i) {
        cases.gland_ml[i] = 40.0 + 10.0 * static_cast<double>(i);
        cases.enucleation_min[i] = 30.0 + 5.0 * static_cast<double>(i);
        cases.theatre_min[i] = 105.0 + 8.0 * static_cast<double>(i);
        cases.surgeon[i] = i % 2 == 0 ? "A" : "B";
    }
    const lobetime::PriorSet prior = lobetime::published_prior();
    const lobetime::FitOptions options;
    const lobetime::FittedModel model =
        lobetime::model_from_fit(lobetime::fit_theatre_time(cases, prior, options), cases, prior, options);

    lobetime::CaseTable bookings(1);
    bookings.gland_ml = {95.0};
    bookings.surgeon = {"A"};
    const lobetime::Prediction prediction = lobetime::predict(model, bookings);
    const lobetime::Slot slot = lobetime::slots(prediction, 0.2, 5.0).front();
    std::printf("slot %.0f min, overrun risk %.3f\n", slot.slot_min, slot.overrun_risk);

    const bool sound = slot.slot_min > 60.0 && slot.slot_min < 400.0 && slot.overrun_risk <= 0.2 &&
                       lobetime::model_from_json(lobetime::model_to_json(model)).n_cases == 12;
    return sound ? 0 : 1;
}
