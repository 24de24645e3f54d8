#include <lobetime/model/formulas.hpp>

#include "simulated_unit.hpp"

#include <gtest/gtest.h>
#include <boost/math/quadrature/gauss_kronrod.hpp>

#include <cmath>
#include <limits>
#include <vector>

namespace lobetime {
namespace {

const ModelLayout kLayout({}, {});

CaseFeatures plain_case() {
    CaseTable cases(1);
    cases.gland_ml = {80.0};
    cases.blade = {BladeMotion::reciprocating};
    cases.suction = {Suction::vacuum};
    return case_features(cases, kLayout)[0];
}

class Formulas : public ::testing::Test {
protected:
    Eigen::VectorXd theta = lobetime::testing::true_theta(kLayout);
    CaseFeatures f = plain_case();
    double natural(int i) const { return to_natural(kLayout.transform(i), theta[i]); }
};

TEST_F(Formulas, TissueIsAPowerOfVolume) {
    EXPECT_NEAR(std::exp(formulas::log_tissue(theta.data(), f)), natural(param::yield_g_80), 1e-12);
    f.log_v80 = std::log(2.0);
    EXPECT_NEAR(std::exp(formulas::log_tissue(theta.data(), f)), 58.0 * std::pow(2.0, 1.15), 1e-11);
}

TEST_F(Formulas, EnucleationByHand) {
    // (14 + 42 * 1.5^1.05) * (1 + 0.9 * 1.4 / (1 + 6 / 12)) * exp(0.1 + 0.2), with case number 7.
    f.log_v80 = std::log(1.5);
    f.cases_done = 6.0;
    f.trainee = 1.0;
    const double expected = (14.0 + 42.0 * std::pow(1.5, 1.05)) * (1.0 + 0.9 * 1.4 / 1.5) * std::exp(0.3);
    EXPECT_NEAR(formulas::enucleation_min(theta.data(), f, 0.1, std::log(1.4)), expected, 1e-11);
}

TEST_F(Formulas, LearningHalvesAndEnds) {
    EXPECT_DOUBLE_EQ(formulas::learning_factor(0.8, 10.0, 0.0), 1.8);
    EXPECT_DOUBLE_EQ(formulas::learning_factor(0.8, 10.0, 10.0), 1.4);
    EXPECT_DOUBLE_EQ(formulas::learning_factor(0.8, 10.0, 30.0), 1.2);
    EXPECT_NEAR(formulas::learning_factor(0.8, 10.0, kPlateau), 1.0, 1e-13);
}

TEST_F(Formulas, BladeTimeByHand) {
    // 100 g, oscillating with wall suction, hard nodule, trainee: W / (rate (W/50)^0.12 e^(0.25 - 0.35)) times the
    // rest.
    f.oscillating = 1.0;
    f.vacuum = 0.0;
    f.wall = 1.0;
    f.hard_nodule = 1.0;
    f.trainee = 1.0;
    f.cases_done = 8.0;
    const double rate = 4.4 * std::pow(2.0, 0.12) * std::exp(0.25 - 0.35 + 0.05);
    const double expected = 100.0 / rate * 1.25 * std::exp(0.3 + 0.12 + 0.45);
    EXPECT_NEAR(formulas::blade_min(theta.data(), f, std::log(100.0), 0.3, 0.05), expected, 1e-10);
}

TEST_F(Formulas, FluidAndMorcellationByHand) {
    EXPECT_NEAR(formulas::fluid_ml(theta.data(), f, 10.0), 220.0 + 380.0 * 10.0, 1e-9);
    f.vacuum = 0.0;
    f.peristaltic = 1.0;
    EXPECT_NEAR(formulas::fluid_ml(theta.data(), f, 10.0), 220.0 + 280.0 * 10.0, 1e-9);
    f.device_fault = 1.0;
    EXPECT_NEAR(formulas::morcellation_min(theta.data(), f, 10.0, 2.0), 1.8 + 10.0 + 2.4 * 2.0 + 12.0, 1e-12);
}

TEST_F(Formulas, RestAndRoomByHand) {
    EXPECT_NEAR(formulas::haemostasis_min(theta.data(), f), 13.0, 1e-12);
    EXPECT_NEAR(formulas::room_min(theta.data(), f), 60.0, 1e-12);
    f.anticoagulated = f.spinal = 1.0;
    EXPECT_NEAR(formulas::haemostasis_min(theta.data(), f), 13.0 * std::exp(0.15), 1e-12);
    EXPECT_NEAR(formulas::room_min(theta.data(), f), 60.0 * std::exp(-0.03), 1e-12);
}

/// The sum itself, as far as it takes.
double summed_swaps(double fluid_over_canister, double log_sd) {
    long double sum = 0.0L;
    for (int j = 1; j <= 2'000'000; ++j) {
        const double p = normal_cdf((std::log(fluid_over_canister) - std::log(static_cast<double>(j))) / log_sd);
        sum += p;
        if (p < 1e-22) break;
    }
    return static_cast<double>(sum);
}

/// Beyond 40 canisters the sum is taken as an integral from 40.5; the midpoint rule errs by the curve's slope there
/// / 24.
double midpoint_error(double fluid_over_canister, double log_sd) {
    const double end = formulas::kSummedSwaps + 0.5;
    return normal_pdf((std::log(fluid_over_canister) - std::log(end)) / log_sd) / (log_sd * end) / 24.0;
}

TEST(ExpectedSwaps, IsTheLongSum) {
    for (const double ratio : {0.01, 0.2, 0.5, 0.99, 1.0, 1.7, 3.0, 9.5, 20.0, 35.0}) {
        for (const double log_sd : {0.05, 0.2, 0.35, 0.6}) {
            const double exact = summed_swaps(ratio, log_sd);
            const double found = formulas::expected_swaps(std::log(ratio), 0.0, log_sd);
            EXPECT_NEAR(found, exact, 1e-12 + 2.0 * midpoint_error(ratio, log_sd)) << ratio << " " << log_sd;
        }
    }
}

TEST(ExpectedSwaps, TailBeyondFortyIsClose) {
    for (const double ratio : {40.0, 80.0, 200.0, 1000.0}) {
        for (const double log_sd : {0.1, 0.35, 0.8, 1.5}) {
            const double exact = summed_swaps(ratio, log_sd);
            // Midpoint rule on a curve whose bend is of order 1 / (40 sd)^2.
            EXPECT_NEAR(formulas::expected_swaps(std::log(ratio), 0.0, log_sd) / exact, 1.0, 1e-3)
                << ratio << " " << log_sd;
        }
    }
}

TEST(ExpectedSwaps, IsTheMeanOfWholeCanistersInLogNormalFluid) {
    using Quadrature = boost::math::quadrature::gauss_kronrod<double, 31>;
    for (const double ratio : {0.4, 1.2, 3.7}) {
        for (const double log_sd : {0.2, 0.5}) {
            // E[floor(F / C)], integrated between the steps of the floor.
            double mean = 0.0;
            for (int j = 1; j < 120; ++j) {
                const double from = (std::log(j) - std::log(ratio)) / log_sd;
                const double to = (std::log(j + 1) - std::log(ratio)) / log_sd;
                if (from > 12.0) break;
                mean += j * Quadrature::integrate([](double z) { return normal_pdf(z); }, std::max(from, -12.0),
                                                  std::max(to, -12.0), 8, 1e-13);
            }
            EXPECT_NEAR(formulas::expected_swaps(std::log(ratio), 0.0, log_sd), mean,
                        1e-9 + 2.0 * midpoint_error(ratio, log_sd))
                << ratio << " " << log_sd;
        }
    }
}

TEST(ExpectedSwaps, ContinuousDrainIsNeverSwapped) {
    EXPECT_EQ(formulas::expected_swaps(20.0, std::numeric_limits<double>::infinity(), 0.3), 0.0);
}

TEST(ExpectedSwaps, RiseSmoothlyWithFluid) {
    // First differences of a smooth rising curve: no step anywhere, also where summing turns into integrating.
    for (const double log_sd : {0.1, 0.35}) {
        double before = formulas::expected_swaps(-3.0, 0.0, log_sd), step_before = 0.0;
        for (double x = -3.0 + 1e-3; x < 5.0; x += 1e-3) {
            const double now = formulas::expected_swaps(x, 0.0, log_sd);
            const double step = now - before;
            EXPECT_GE(step, -1e-13) << x;
            // d2/dx2 of a log-normal sum is at most about (1 + 1/sd^2) times its size, over steps of 1e-3.
            EXPECT_LT(std::abs(step - step_before), 1e-6 * (2.0 + 1.0 / (log_sd * log_sd)) * (1.0 + now)) << x;
            before = now;
            step_before = step;
        }
    }
}

TEST(ExpectedSwaps, DoNotChangeWithTheUnitOfVolume) {
    EXPECT_NEAR(formulas::expected_swaps(std::log(5000.0), std::log(2000.0), 0.3),
                formulas::expected_swaps(std::log(5.0), std::log(2.0), 0.3), 1e-13);
}

TEST_F(Formulas, AStrongVacuumWithASmallCanisterLosesItsLeadInLargeGlands) {
    // Common practice, from the formulas alone: vacuum with 2 L against peristaltic on a continuous drain.
    theta[param::suction_peristaltic] = -0.2;
    theta[param::flow_vacuum] = std::log(300.0);
    const auto morcellation = [&](double gland_ml, bool vacuum) {
        CaseFeatures one = f;
        one.log_v80 = std::log(gland_ml / 80.0);
        one.vacuum = vacuum ? 1.0 : 0.0;
        one.peristaltic = vacuum ? 0.0 : 1.0;
        one.log_canister = vacuum ? std::log(2000.0) : std::numeric_limits<double>::infinity();
        const double tissue = formulas::log_tissue(theta.data(), one);
        const double blade = formulas::blade_min(theta.data(), one, tissue, 0.0, 0.0);
        const double swaps = formulas::expected_swaps(std::log(formulas::fluid_ml(theta.data(), one, blade)),
                                                      one.log_canister, natural(param::fluid_log_sd));
        return formulas::morcellation_min(theta.data(), one, blade, swaps);
    };
    EXPECT_LT(morcellation(30.0, true), morcellation(30.0, false));
    EXPECT_GT(morcellation(200.0, true), morcellation(200.0, false));
}

}  // namespace
}  // namespace lobetime
