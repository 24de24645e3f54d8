// Does this list fit? Draws of the same possible world are summed, so what its cases share counts.
#include <lobetime/lobetime.hpp>

#include <cstdio>

int main() {
    constexpr double kSessionMin = 480.0, kTurnoverMin = 20.0;

    lobetime::CaseTable bookings(3);
    bookings.case_id = {"a", "b", "c"};
    bookings.gland_ml = {60.0, 90.0, 140.0};
    bookings.surgeon.assign(3, "A");
    bookings.surgeon_case_no.assign(3, 80.0);
    bookings.blade.assign(3, lobetime::BladeMotion::oscillating);
    bookings.suction.assign(3, lobetime::Suction::vacuum);
    bookings.canister_ml.assign(3, 3000.0);
    bookings.anaesthesia.assign(3, lobetime::Anaesthesia::general);

    // No history: published evidence alone.
    const lobetime::FittedModel model = lobetime::model_from_prior(lobetime::published_prior());
    const lobetime::Prediction prediction = lobetime::predict(model, bookings);
    const double draws = static_cast<double>(prediction.n_draws);
    for (std::size_t i = 0; i < bookings.size(); ++i) {
        double sum = 0.0;
        for (std::size_t d = 0; d < prediction.n_draws; ++d) sum += prediction.total(i, d);
        std::printf("%s: mean %.1f min\n", bookings.case_id[i].c_str(), sum / draws);
    }
    double sum = 0.0, over = 0.0;
    for (std::size_t d = 0; d < prediction.n_draws; ++d) {
        double finish = kTurnoverMin * static_cast<double>(bookings.size() - 1);
        for (std::size_t i = 0; i < bookings.size(); ++i) finish += prediction.total(i, d);
        sum += finish;
        if (finish > kSessionMin) over += 1.0;
    }
    std::printf("all three: mean %.1f min, over %.0f min in %.4f\n", sum / draws, kSessionMin, over / draws);
    std::printf("For planning theatre time only; not clinical advice.\n");
    return 0;
}
