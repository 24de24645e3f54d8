#include <lobetime/core/errors.hpp>
#include <lobetime/inference/quantity.hpp>
#include <lobetime/inference/time_quantities.hpp>
#include <lobetime/model/formulas.hpp>

#include "eigen_matchers.hpp"
#include "simulated_unit.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <string>
#include <vector>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::HasSubstr;

const Eigen::Vector3d kTheta(0.4, -1.2, 2.0);
const Eigen::Vector3d kStep(1e-5, 1e-5, 1e-5);

Quantity product() {
    return {"product", "1", [](const Eigen::VectorXd& t) { return std::exp(t[0]) * t[1] * t[1] + std::sin(t[2]); }};
}

Eigen::Vector3d product_gradient(const Eigen::VectorXd& t) {
    return {std::exp(t[0]) * t[1] * t[1], 2.0 * std::exp(t[0]) * t[1], std::cos(t[2])};
}

TEST(GradientOf, IsTheDerivative) {
    // Central differences: step^2 = 1e-10 of truncation, 1e-16 / 1e-5 of rounding.
    EXPECT_THAT(gradient_of(product(), kTheta, kStep), EigenNear(Eigen::VectorXd(product_gradient(kTheta)), 1e-9, 0.0));
    Quantity own = product();
    own.gradient = [](const Eigen::VectorXd& t) -> Eigen::VectorXd { return product_gradient(t); };
    EXPECT_THAT(gradient_of(own, kTheta, kStep), EigenNear(Eigen::VectorXd(product_gradient(kTheta)), 0.0, 0.0));
}

TEST(GradientOf, LooksAtOneParameterOnlyWhereThereIsOne) {
    int calls = 0;
    const Quantity one{"one", "1",
                       [&](const Eigen::VectorXd& t) {
                           ++calls;
                           return 3.0 * t[1];
                       },
                       1};
    EXPECT_THAT(gradient_of(one, kTheta, kStep), EigenNear(Eigen::VectorXd(Eigen::Vector3d(0.0, 3.0, 0.0)), 1e-9, 0.0));
    EXPECT_EQ(calls, 2);
}

TEST(GradientOf, RefusesWhatHasNone) {
    const Quantity root{"root", "1", [](const Eigen::VectorXd& t) { return std::sqrt(t[1]); }};
    try {
        gradient_of(root, kTheta, kStep);
        FAIL();
    } catch (const NotFinite& error) {
        EXPECT_THAT(error.what(), HasSubstr("root"));
    }
    EXPECT_THROW(gradient_of(product(), kTheta, Eigen::VectorXd::Zero(2)), InvalidArgument);
    Quantity wrong = product();
    wrong.gradient = [](const Eigen::VectorXd&) -> Eigen::VectorXd { return Eigen::VectorXd::Zero(2); };
    EXPECT_THROW(gradient_of(wrong, kTheta, kStep), InvalidArgument);
}

Eigen::MatrixXd covariance() {
    Eigen::MatrixXd c(3, 3);
    c << 0.04, 0.01, 0.0, 0.01, 0.09, -0.02, 0.0, -0.02, 0.16;
    return c;
}

TEST(DeltaInterval, IsItsFormulaOnBothScales) {
    const Eigen::Vector3d d = product_gradient(kTheta);
    const double value = product().value(kTheta), error = std::sqrt(d.dot(covariance() * d));
    const Interval plain = delta_interval(product(), kTheta, covariance(), 1.96);
    EXPECT_EQ(plain.estimate, value);
    EXPECT_NEAR(plain.lower, value - 1.96 * error, 1e-7 * error);  // differences over 1e-4 standard errors
    EXPECT_NEAR(plain.upper, value + 1.96 * error, 1e-7 * error);
    Quantity positive = product();
    positive.scale = Transform::log;
    const Interval ratio = delta_interval(positive, kTheta, covariance(), 1.96);
    EXPECT_EQ(ratio.estimate, value);
    EXPECT_NEAR(ratio.lower, value * std::exp(-1.96 * error / value), 1e-7 * error);
    EXPECT_NEAR(ratio.upper, value * std::exp(1.96 * error / value), 1e-6 * error);
    EXPECT_FALSE(plain.lower_open || plain.upper_open || ratio.lower_open || ratio.upper_open);
}

TEST(DeltaInterval, IsCutToTheValuesThatTheQuantityCanHave) {
    Quantity cut = product();
    cut.least = product().value(kTheta) - 0.1;
    cut.most = product().value(kTheta) - 0.05;  // the estimate itself lies beyond
    const Interval interval = delta_interval(cut, kTheta, covariance(), 1.96);
    EXPECT_EQ(interval.estimate, cut.most);
    EXPECT_EQ(interval.lower, cut.least);
    EXPECT_EQ(interval.upper, cut.most);
}

TEST(DeltaInterval, IsOpenWhereThereIsNoDerivative) {
    const Quantity log_of{
        "log", "1", [](const Eigen::VectorXd& t) { return std::log(t[0]); }, -1, true, Transform::identity, 0.0};
    const Interval interval = delta_interval(log_of, Eigen::Vector3d::Zero(), covariance(), 1.96);
    EXPECT_EQ(interval.estimate, 0.0) << "log 0, cut";
    EXPECT_EQ(interval.lower, 0.0) << "it can have no less";
    EXPECT_FALSE(interval.lower_open);
    EXPECT_TRUE(interval.upper_open);
    EXPECT_TRUE(std::isnan(interval.upper));
    const Quantity root{"root", "1", [](const Eigen::VectorXd& t) { return std::sqrt(t[0]); }};
    const Interval both = delta_interval(root, Eigen::Vector3d::Zero(), covariance(), 1.96);
    EXPECT_TRUE(both.lower_open && both.upper_open);
    EXPECT_TRUE(std::isnan(both.lower) && std::isnan(both.upper));
    Quantity positive = product();
    positive.scale = Transform::log;
    const Eigen::Vector3d negative(0.0, 0.0, -1.0);
    EXPECT_THROW(delta_standard_error(positive, negative, covariance()), NotFinite);
    EXPECT_THROW(delta_standard_error(product(), kTheta, Eigen::MatrixXd::Identity(2, 2)), InvalidArgument);
}

const ModelLayout kLayout({"A", "B"}, {"D1"});
const Eigen::VectorXd kTruth = lobetime::testing::true_theta(kLayout);

double natural(int i) { return to_natural(kLayout.transform(i), kTruth[i]); }

CaseTable one_case(double gland_ml) {
    CaseTable one(1);
    one.gland_ml = {gland_ml};
    one.blade = {BladeMotion::reciprocating};
    one.suction = {Suction::vacuum};
    return one;
}

TEST(ParameterQuantity, IsTheParameterOnItsNaturalScale) {
    for (int i = 0; i < kLayout.size(); ++i) {
        const Quantity quantity = parameter_quantity(kLayout, i);
        EXPECT_EQ(quantity.name, kLayout.names()[static_cast<std::size_t>(i)]);
        EXPECT_EQ(quantity.unit, kLayout.unit(i));
        EXPECT_EQ(quantity.parameter, i);
        EXPECT_DOUBLE_EQ(quantity.value(kTruth), natural(i));
    }
    EXPECT_THROW(parameter_quantity(kLayout, -1), InvalidArgument);
    EXPECT_THROW(parameter_quantity(kLayout, kLayout.size()), InvalidArgument);
}

TEST(TimeQuantities, AreTheFormulasByHand) {
    // A never-full canister at the plateau: (14 + 42 (V/80)^1.05), and tissue 58 (V/80)^1.15 at a rate of
    // 4.4 (W/50)^0.12 g/min.
    const double tissue = 58.0 * std::pow(150.0 / 80.0, 1.15);
    const double enucleation = 14.0 + 42.0 * std::pow(150.0 / 80.0, 1.05);
    const double blade = tissue / (4.4 * std::pow(tissue / 50.0, 0.12));
    EXPECT_NEAR(enucleation_min_quantity(kLayout, one_case(150.0)).value(kTruth), enucleation, 1e-10);
    EXPECT_NEAR(morcellation_min_quantity(kLayout, one_case(150.0)).value(kTruth), 1.8 + blade, 1e-10);
    // Surgeon B's 13th case with device D1.
    CaseTable known = one_case(150.0);
    known.surgeon = {"B"};
    known.device = {"D1"};
    known.surgeon_case_no = {13.0};
    const double u = kTruth[kLayout.surgeon_enucleation_index(1)], v = kTruth[kLayout.surgeon_morcellation_index(1)];
    const double device = kTruth[kLayout.device_index(0)];
    EXPECT_NEAR(enucleation_min_quantity(kLayout, known).value(kTruth), enucleation * 1.45 * std::exp(u), 1e-10);
    EXPECT_NEAR(morcellation_min_quantity(kLayout, known).value(kTruth),
                1.8 + blade * (1.0 + 0.5 / 2.5) * std::exp(v - device), 1e-10);
    // A recorded weight counts as it is, and a 2 L canister is expected to be swapped.
    known = one_case(150.0);
    known.tissue_g = {50.0};
    known.canister_ml = {2000.0};
    const double fluid = 220.0 + 380.0 * 50.0 / 4.4;
    EXPECT_NEAR(morcellation_min_quantity(kLayout, known).value(kTruth),
                1.8 + 50.0 / 4.4 + 2.4 * formulas::expected_swaps(std::log(fluid), std::log(2000.0), 0.3), 1e-10);
}

TEST(TimeQuantities, TheDifferenceIsADifference) {
    CaseTable other = one_case(150.0);
    other.blade = {BladeMotion::oscillating};
    other.suction = {Suction::peristaltic};
    const Quantity difference = morcellation_difference_min_quantity(kLayout, one_case(150.0), other);
    EXPECT_EQ(difference.scale, Transform::identity);
    EXPECT_NEAR(difference.value(kTruth),
                morcellation_min_quantity(kLayout, one_case(150.0)).value(kTruth) -
                    morcellation_min_quantity(kLayout, other).value(kTruth),
                1e-12);
}

TEST(MorcellationEfficiency, IsTheMeanItSays) {
    // Simulated: 400,000 cases alike; the standard error of each mean is below 0.1 %.
    const CaseSpreads spreads{0.18, 0.2};
    const CaseFeatures f = case_features(one_case(80.0), kLayout)[0];
    const CounterRandom stream(1, 5);
    double grams = 0.0, minutes = 0.0, ratios = 0.0;
    constexpr int kCases = 400000;
    for (int i = 0; i < kCases; ++i) {
        const auto z = stream.normals(static_cast<std::uint64_t>(i));
        const double log_tissue = formulas::log_tissue(kTruth.data(), f) + spreads.tissue * z[0];
        const double time = formulas::morcellation_min(
                                kTruth.data(), f, formulas::blade_min(kTruth.data(), f, log_tissue, 0.0, 0.0), 0.0) *
                            std::exp(spreads.morcellation * z[1]);
        grams += std::exp(log_tissue);
        minutes += time;
        ratios += std::exp(log_tissue) / time / kCases;
    }
    const auto value = [&](EfficiencyMean mean, const CaseSpreads& held) {
        return morcellation_efficiency_quantity(kLayout, one_case(80.0), mean, held).value(kTruth);
    };
    EXPECT_NEAR(value(EfficiencyMean::ratio_of_means, spreads), grams / minutes, 0.003 * grams / minutes);
    EXPECT_NEAR(value(EfficiencyMean::mean_of_ratios, spreads), ratios, 0.003 * ratios);
    EXPECT_GT(std::abs(ratios / (grams / minutes) - 1.0), 0.02) << "the two differ by far more than the tolerance";
    // Without spread there is one case only.
    const double alone = 58.0 / morcellation_min_quantity(kLayout, one_case(80.0)).value(kTruth);
    for (const char* name : {"ratio_of_means", "mean_of_ratios"})
        EXPECT_NEAR(value(efficiency_mean_from_name(name), {}), alone, 1e-10);
    // A weighed case has no spread of its tissue.
    CaseTable weighed = one_case(80.0);
    weighed.tissue_g = {58.0};
    EXPECT_NEAR(
        morcellation_efficiency_quantity(kLayout, weighed, EfficiencyMean::ratio_of_means, {0.18, 0.0}).value(kTruth),
        alone, 1e-10);
}

TEST(CasesToPlateau, IsWhereTheLearningFactorComesWithinTheShare) {
    for (const auto& [phase, learn, half] : {std::tuple{LearningPhase::enucleation, param::e_learn, param::e_half},
                                             std::tuple{LearningPhase::morcellation, param::m_learn, param::m_half}}) {
        const double at = cases_to_plateau_quantity(phase, 0.1).value(kTruth);
        EXPECT_NEAR(formulas::learning_factor(natural(learn), natural(half), at - 1.0), 1.1, 1e-12);
    }
    // 1 + 12 (0.9 / 0.1 - 1) by hand.
    const Quantity plateau = cases_to_plateau_quantity(LearningPhase::enucleation, 0.1);
    EXPECT_NEAR(plateau.value(kTruth), 97.0, 1e-10);
    Eigen::VectorXd quick = kTruth;
    quick[param::e_learn] = 0.05;
    EXPECT_LT(plateau.value(quick), 1.0) << "goes on smoothly";
    EXPECT_EQ(plateau.cut(plateau.value(quick)), 1.0) << "but there is no case before the first";
    quick[param::e_learn] = 0.0;
    const Interval none =
        delta_interval(plateau, quick, Eigen::MatrixXd::Identity(kLayout.size(), kLayout.size()), 1.96);
    EXPECT_EQ(none.estimate, 1.0);
    EXPECT_EQ(none.lower, 1.0);
    // Slopes 12 / 0.1 along e_learn, -12 along log e_half; both variances 1.
    EXPECT_NEAR(none.upper, -11.0 + 1.96 * std::hypot(120.0, 12.0), 1e-9);
}

TEST(TimeQuantities, GradientsAreThoseOfDifferences) {
    CaseTable full = one_case(110.0);
    full.surgeon = {"A"};
    full.device = {"D1"};
    full.surgeon_case_no = {9.0};
    full.canister_ml = {2000.0};
    full.trainee = full.hard_nodule = {1.0};
    CaseTable other = one_case(110.0);
    other.blade = {BladeMotion::oscillating};
    other.suction = {Suction::wall};
    other.canister_ml = {3000.0};
    std::vector<Quantity> all = {enucleation_min_quantity(kLayout, full), morcellation_min_quantity(kLayout, full),
                                 morcellation_difference_min_quantity(kLayout, full, other),
                                 cases_to_plateau_quantity(LearningPhase::enucleation, 0.1),
                                 cases_to_plateau_quantity(LearningPhase::morcellation, 0.05)};
    for (const EfficiencyMean mean : {EfficiencyMean::ratio_of_means, EfficiencyMean::mean_of_ratios})
        all.push_back(morcellation_efficiency_quantity(kLayout, full, mean, {0.18, 0.2}));
    for (int i = 0; i < kLayout.size(); ++i) all.push_back(parameter_quantity(kLayout, i));
    const Eigen::VectorXd step = Eigen::VectorXd::Constant(kTruth.size(), 1e-5);
    for (Quantity& quantity : all) {
        const Eigen::VectorXd exact = gradient_of(quantity, kTruth, step);
        quantity.gradient = nullptr;
        // Differences: 1e-10 of the third derivative and 1e-16 / 1e-5 of the value, on values up to 5000 (mL).
        EXPECT_THAT(gradient_of(quantity, kTruth, step), EigenNear(exact, 1e-10 * quantity.value(kTruth) + 1e-8, 1e-8))
            << quantity.name;
    }
}

TEST(TimeQuantities, RefuseCasesThatTheModelDoesNotKnow) {
    const auto refused = [](const std::function<void(CaseTable&)>& spoil, const std::string& words) {
        CaseTable one = one_case(80.0);
        spoil(one);
        for (const auto& make : {enucleation_min_quantity, morcellation_min_quantity}) {
            try {
                make(kLayout, one);
                ADD_FAILURE() << words;
            } catch (const InvalidArgument& error) {
                EXPECT_THAT(error.what(), HasSubstr(words));
            }
        }
    };
    refused([](CaseTable& one) { one.surgeon = {"C"}; }, "no surgeon 'C' is in the model; known: A, B");
    refused([](CaseTable& one) { one.device = {"D2"}; }, "no device 'D2' is in the model; known: D1");
    refused([](CaseTable& one) { one.gland_ml = {0.0}; }, "gland_ml");
    refused([](CaseTable& one) { one.gland_ml = {std::nan("")}; }, "gland_ml");
    refused([](CaseTable& one) { one.surgeon_case_no = {0.0}; }, "surgeon_case_no");
    refused([](CaseTable& one) { one.canister_ml = {0.0}; }, "canister_ml");
    refused([](CaseTable& one) { one = CaseTable(2); }, "one case, not 2");
    EXPECT_THROW(cases_to_plateau_quantity(LearningPhase::enucleation, 0.0), InvalidArgument);
    EXPECT_THROW(morcellation_efficiency_quantity(kLayout, one_case(80.0), EfficiencyMean::ratio_of_means, {-0.1, 0.2}),
                 InvalidArgument);
    EXPECT_THROW(efficiency_mean_from_name("mean"), InvalidArgument);
    EXPECT_THROW(learning_phase_from_name("room"), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
