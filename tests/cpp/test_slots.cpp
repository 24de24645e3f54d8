#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/predict/slots.hpp>

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

namespace lobetime {
namespace {

/// A prediction whose theatre times are given; all of them in the room phase.
Prediction of_totals(const std::vector<std::vector<double>>& totals) {
    Prediction p;
    p.n_cases = totals.size();
    p.n_draws = totals[0].size();
    for (const auto& one : totals) {
        for (const double minutes : one) p.minutes.insert(p.minutes.end(), {0.0, 0.0, 0.0, minutes});
    }
    return p;
}

Prediction of_prior() {
    CaseTable bookings(5);
    for (std::size_t i = 0; i < 5; ++i) {
        bookings.case_id[i] = std::to_string(i);
        bookings.gland_ml[i] = 40.0 + 40.0 * static_cast<double>(i);
    }
    PredictOptions options;
    options.draws = 2000;
    return predict(model_from_prior(published_prior()), bookings, options);
}

TEST(OverrunRisk, IsTheShareOfDrawsThatAreLonger) {
    const Prediction p = of_totals({{100.0, 110.0, 120.0, 130.0}, {1.0, 2.0, 3.0, 4.0}});
    EXPECT_EQ(overrun_risk(p, 0, 99.0), 1.0);
    EXPECT_EQ(overrun_risk(p, 0, 110.0), 0.5) << "a case that takes the slot to the minute does not overrun";
    EXPECT_EQ(overrun_risk(p, 0, 119.9), 0.5);
    EXPECT_EQ(overrun_risk(p, 0, 130.0), 0.0);
    EXPECT_EQ(overrun_risk(p, 1, 2.5), 0.5);
    EXPECT_THROW(overrun_risk(p, 2, 100.0), InvalidArgument);
}

TEST(OverrunRisk, FallsAsTheSlotGrows) {
    const Prediction p = of_prior();
    double before = 1.0;
    for (double minutes = 30.0; minutes < 500.0; minutes += 7.0) {
        const double risk = overrun_risk(p, 2, minutes);
        EXPECT_LE(risk, before);
        before = risk;
    }
}

TEST(OverrunRisk, OfABlankSlotIsNotNone) {
    const Prediction p = of_totals({{100.0, 110.0}});
    EXPECT_THROW(overrun_risk(p, 0, std::numeric_limits<double>::quiet_NaN()), InvalidArgument);
}

TEST(Slots, AreTheSmallestOnTheGridWithAtMostTheRisk) {
    const Prediction p = of_prior();
    for (const double risk : {0.02, 0.1, 0.2, 0.5, 0.9}) {
        for (const double grid : {1.0, 5.0, 15.0, 7.5}) {
            const auto all = slots(p, risk, grid);
            ASSERT_EQ(all.size(), p.n_cases);
            for (std::size_t i = 0; i < all.size(); ++i) {
                EXPECT_NEAR(std::remainder(all[i].slot_min, grid), 0.0, 1e-9);
                EXPECT_EQ(all[i].overrun_risk, overrun_risk(p, i, all[i].slot_min));
                EXPECT_LE(all[i].overrun_risk, risk) << i << " " << risk << " " << grid;
                EXPECT_GT(overrun_risk(p, i, all[i].slot_min - grid), risk) << i << " " << risk << " " << grid;
            }
        }
    }
}

TEST(Slots, ASmallerRiskNeverGivesAShorterSlot) {
    const Prediction p = of_prior();
    std::vector<Slot> before = slots(p, 0.9);
    for (const double risk : {0.5, 0.3, 0.2, 0.1, 0.05, 0.01}) {
        const auto now = slots(p, risk);
        for (std::size_t i = 0; i < now.size(); ++i) EXPECT_GE(now[i].slot_min, before[i].slot_min);
        before = now;
    }
}

TEST(Slots, CountExactlyAtRoundRisks) {
    // Ten draws, 100 to 190: at 20 % two may be longer, also where 0.2 * 10 is not exactly 2 in binary.
    std::vector<double> draws;
    for (int i = 0; i < 10; ++i) draws.push_back(100.0 + 10.0 * i);
    const Prediction p = of_totals({draws});
    EXPECT_EQ(slots(p, 0.2, 5.0)[0].slot_min, 170.0);
    EXPECT_EQ(slots(p, 0.3, 5.0)[0].slot_min, 160.0);
    EXPECT_EQ(slots(p, 0.7, 5.0)[0].slot_min, 120.0);
    EXPECT_EQ(slots(p, 0.19, 5.0)[0].slot_min, 180.0);
    EXPECT_EQ(slots(p, 0.01, 5.0)[0].slot_min, 190.0);
    EXPECT_EQ(slots(p, 0.99, 5.0)[0].slot_min, 100.0);
    EXPECT_EQ(slots(p, 0.2, 100.0)[0].slot_min, 200.0);
}

TEST(Slots, TiesDoNotRaiseTheRisk) {
    const Prediction p = of_totals({{90.0, 120.0, 120.0, 120.0, 120.0, 120.0, 120.0, 150.0, 150.0, 150.0}});
    EXPECT_EQ(slots(p, 0.2, 5.0)[0].slot_min, 150.0);
    EXPECT_EQ(slots(p, 0.2, 5.0)[0].overrun_risk, 0.0);
    EXPECT_EQ(slots(p, 0.3, 5.0)[0].slot_min, 120.0);
    EXPECT_DOUBLE_EQ(slots(p, 0.3, 5.0)[0].overrun_risk, 0.3);
    EXPECT_EQ(slots(of_totals({{60.0, 60.0, 60.0}}), 0.5, 5.0)[0].slot_min, 60.0);
}

TEST(Slots, HoldOnGridsThatAreNotExactInBinary) {
    const CounterRandom random(4, 4);
    std::vector<double> draws;
    for (std::uint64_t i = 0; i < 500; ++i) draws.push_back(0.1 * std::floor(1000.0 + 1000.0 * random.uniforms(i)[0]));
    const Prediction p = of_totals({draws});
    for (double risk = 0.01; risk < 1.0; risk += 0.01) {
        const Slot one = slots(p, risk, 0.1)[0];
        EXPECT_LE(one.overrun_risk, risk + 1e-12) << risk;
    }
}

TEST(Slots, DoNotDependOnOtherCases) {
    const Prediction one = of_totals({{100.0, 110.0, 120.0}});
    const Prediction two = of_totals({{500.0, 510.0, 520.0}, {100.0, 110.0, 120.0}});
    EXPECT_EQ(slots(one, 0.4)[0].slot_min, slots(two, 0.4)[1].slot_min);
}

TEST(Slots, RefuseWhatIsNoRiskOrGrid) {
    const Prediction p = of_totals({{100.0, 110.0}});
    const double nan = std::numeric_limits<double>::quiet_NaN(), infinite = std::numeric_limits<double>::infinity();
    for (const double risk : {0.0, 1.0, -0.2, 20.0, nan}) EXPECT_THROW(slots(p, risk), InvalidArgument) << risk;
    for (const double grid : {0.0, -5.0, nan, infinite}) EXPECT_THROW(slots(p, 0.2, grid), InvalidArgument) << grid;
    EXPECT_TRUE(slots(Prediction{}, 0.2).empty());
}

}  // namespace
}  // namespace lobetime
