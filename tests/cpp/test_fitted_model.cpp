#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/predict/prediction.hpp>

#include "eigen_matchers.hpp"
#include "simulated_unit.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <Eigen/Eigenvalues>

#include <algorithm>
#include <cmath>
#include <limits>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using lobetime::testing::simulate_unit;
using lobetime::testing::UnitOptions;

const PriorSet kPrior = published_prior();

struct Fitted {
    CaseTable cases;
    TheatreTimeFit fit;
    FittedModel model;
};

Fitted fitted(const CaseTable& cases, const FitOptions& options = {}) {
    Fitted out{cases, fit_theatre_time(cases, kPrior, options), {}};
    out.model = model_from_fit(out.fit, out.cases, kPrior, options);
    return out;
}

const Fitted& plain() {
    static const Fitted one = [] {
        UnitOptions options;
        options.n_cases = 300;
        options.with_wall_suction = false;
        return fitted(simulate_unit(options).cases);
    }();
    return one;
}

CaseTable sixty_operations() {
    CaseTable cases(60);
    for (std::size_t i = 0; i < 60; ++i) {
        cases.gland_ml[i] = 50.0 + static_cast<double>(i);
        cases.operative_min[i] =
            (70.0 + static_cast<double>(i)) * (i % 2 == 0 ? 1.15 : 0.9) + static_cast<double>(i % 7);
    }
    return cases;
}

TEST(ModelFromPrior, IsThePrior) {
    const FittedModel model = model_from_prior(kPrior);
    EXPECT_FALSE(model.has_history());
    EXPECT_EQ(model.layout.size(), param::Count);
    EXPECT_EQ(model.loss, "none");
    for (int i = 0; i < param::Count; ++i) {
        const ParameterPrior& one = *kPrior.find(model.layout.names()[static_cast<std::size_t>(i)]);
        EXPECT_DOUBLE_EQ(model.theta[i], one.working_mean());
        EXPECT_DOUBLE_EQ(model.covariance(i, i), one.working_sd() * one.working_sd());
        const ParameterSource& source = model.sources[static_cast<std::size_t>(i)];
        EXPECT_EQ(source.origin, one.origin);
        EXPECT_EQ(source.source, one.source);
        EXPECT_EQ(source.share_from_cases, 0.0);
    }
    const Eigen::VectorXd sd = model.covariance.diagonal().cwiseSqrt();
    const Eigen::MatrixXd correlation =
        sd.cwiseInverse().asDiagonal() * model.covariance * sd.cwiseInverse().asDiagonal();
    // The prior lists its parameters in the model's order.
    EXPECT_THAT(correlation, EigenNear(kPrior.correlation, 1e-14, 0.0));
    for (int c = 0; c < kChannels; ++c) {
        const SpreadPrior& spread = kPrior.spread(channel_name(static_cast<Channel>(c)));
        EXPECT_EQ(model.channels[static_cast<std::size_t>(c)].spread, spread.centre);
        EXPECT_EQ(model.channels[static_cast<std::size_t>(c)].spread_log_se, spread.log_sd());
        EXPECT_EQ(model.channels[static_cast<std::size_t>(c)].observations, 0);
    }
    EXPECT_EQ(model.fault_rates.size(), kPrior.fault_rates.size());
    EXPECT_DOUBLE_EQ(model.hard_nodule_rate.mean(), kPrior.hard_nodule_rate.events / kPrior.hard_nodule_rate.cases);
}

TEST(ModelFromPrior, NeedsAWholePrior) {
    PriorSet half = kPrior;
    half.parameters.erase(half.parameters.begin() + 3);
    EXPECT_THROW(model_from_prior(half), InvalidArgument);
    half = kPrior;
    half.spreads.clear();
    EXPECT_THROW(model_from_prior(half), InvalidArgument);
}

TEST(SandwichCovariance, IsSymmetricAndNeverNegative) {
    const Eigen::MatrixXd covariance = sandwich_covariance(plain().fit);
    EXPECT_THAT(covariance, EigenNear(Eigen::MatrixXd(covariance.transpose()), 0.0, 0.0));
    const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(covariance);
    EXPECT_GT(eigen.eigenvalues().minCoeff(), -1e-12 * eigen.eigenvalues().maxCoeff());
    EXPECT_GT(covariance.diagonal().minCoeff(), 0.0);
}

TEST(SandwichCovariance, IsItsFormula) {
    const TheatreTimeFit& fit = plain().fit;
    const Eigen::MatrixXd inverse = fit.curvature.inverse();
    const double n = static_cast<double>(fit.n_cases);
    const Eigen::MatrixXd scores = (n * fit.score_product + 20.0 * fit.expected_product) / (n + 20.0);
    const Eigen::MatrixXd middle = scores + prior_scatter(fit);
    const Eigen::MatrixXd expected = inverse * middle * inverse;
    // Condition of the curvature times rounding.
    EXPECT_THAT(sandwich_covariance(fit), EigenNear(expected, 1e-9 * expected.diagonal().maxCoeff(), 1e-6));
}

TEST(SandwichCovariance, IsNearTheInverseCurvatureOnCleanCases) {
    // With normal errors and the information factor both estimate the same variance.
    UnitOptions options;
    options.n_cases = 3000;
    const TheatreTimeFit fit = fit_theatre_time(simulate_unit(options).cases, kPrior);
    const Eigen::VectorXd sandwich = sandwich_covariance(fit).diagonal(), inverse = fit.curvature.inverse().diagonal();
    // What the four learning parameters are told comes from some 15 early cases of one surgeon: a variance of so many
    // scores has a relative error of sqrt(2 / 15) = 0.37.
    const auto few = [](int i) {
        return i == param::e_learn || i == param::e_half || i == param::m_learn || i == param::m_half;
    };
    for (int i = 0; i < fit.layout.size(); ++i)
        EXPECT_NEAR(sandwich[i] / inverse[i], 1.0, few(i) ? 0.74 : 0.3)
            << fit.layout.names()[static_cast<std::size_t>(i)];
}

TEST(SandwichCovariance, RefusesACurvatureThatIsNoCurvature) {
    TheatreTimeFit fit = plain().fit;
    fit.curvature(0, 0) = -1.0;
    EXPECT_THROW(sandwich_covariance(fit), Error);
}

TEST(ModelFromFit, CountsWhatTheCasesCovered) {
    const FittedModel& model = plain().model;
    const CaseTable& cases = plain().cases;
    EXPECT_EQ(model.n_cases, 300);
    EXPECT_EQ(model.gland_min_ml, *std::min_element(cases.gland_ml.begin(), cases.gland_ml.end()));
    EXPECT_EQ(model.gland_max_ml, *std::max_element(cases.gland_ml.begin(), cases.gland_ml.end()));
    EXPECT_GT(model.gland_median_ml, model.gland_min_ml);
    EXPECT_LT(model.gland_median_ml, model.gland_max_ml);
    ASSERT_EQ(model.surgeons.size(), 4U);
    int total = 0;
    for (const SurgeonRecord& one : model.surgeons) {
        total += one.cases;
        double last = 0.0;
        for (std::size_t i = 0; i < cases.size(); ++i) {
            if (cases.surgeon[i] == one.code) last = std::max(last, cases.surgeon_case_no[i]);
        }
        EXPECT_EQ(one.last_case_no, last) << one.code;
    }
    EXPECT_EQ(total, 300);
    total = 0;
    for (std::size_t k = 0; k < model.device_classes.size(); ++k) {
        total += model.device_classes[k].cases;
        if (k > 0) {
            EXPECT_GE(model.device_classes[k - 1].cases, model.device_classes[k].cases) << "most used first";
        }
    }
    EXPECT_EQ(total, 300);
    EXPECT_TRUE(model.faults_recorded);
    EXPECT_TRUE(model.hard_nodules_recorded);
    EXPECT_TRUE(model.canisters_recorded);
    EXPECT_EQ(model.loss, "bisquare");
    EXPECT_EQ(model.prior, "published");
}

TEST(ModelFromFit, SaysWhichEstimatesComeFromCases) {
    const FittedModel& model = plain().model;
    const auto source = [&](int i) { return model.sources[static_cast<std::size_t>(i)]; };
    EXPECT_EQ(source(param::yield_g_80).origin, NumberOrigin::cases);
    EXPECT_GT(source(param::yield_g_80).share_from_cases, 0.9);
    EXPECT_EQ(source(param::suction_wall).origin, NumberOrigin::common_practice);
    EXPECT_NEAR(source(param::suction_wall).share_from_cases, 0.0, 1e-9);
    for (const ParameterSource& one : model.sources) {
        EXPECT_GE(one.share_from_cases, 0.0);
        EXPECT_LE(one.share_from_cases, 1.0);
        EXPECT_EQ(one.origin == NumberOrigin::cases, one.share_from_cases >= 0.5);
    }
}

TEST(ModelFromFit, AddsTheUnitsOwnFaultsToThePriors) {
    CaseTable cases = sixty_operations();
    for (std::size_t i = 0; i < 60; ++i) {
        cases.blade[i] = BladeMotion::oscillating;
        cases.suction[i] = Suction::vacuum;
        cases.device_fault[i] = i % 10 == 0 ? 1.0 : 0.0;
        cases.hard_nodule[i] = i < 40 ? (i < 10 ? 1.0 : 0.0) : std::nan("");
    }
    const FittedModel model = fitted(cases).model;
    const auto rate = std::find_if(model.fault_rates.begin(), model.fault_rates.end(),
                                   [](const auto& r) { return r.first == "oscillating/vacuum"; });
    ASSERT_NE(rate, model.fault_rates.end());
    const auto before = std::find_if(kPrior.fault_rates.begin(), kPrior.fault_rates.end(),
                                     [](const RatePrior& r) { return r.name == "oscillating/vacuum"; });
    ASSERT_NE(before, kPrior.fault_rates.end());
    EXPECT_DOUBLE_EQ(rate->second.events, before->events + 6.0);
    EXPECT_DOUBLE_EQ(rate->second.cases, before->cases + 60.0);
    EXPECT_DOUBLE_EQ(model.hard_nodule_rate.events, kPrior.hard_nodule_rate.events + 10.0);
    EXPECT_DOUBLE_EQ(model.hard_nodule_rate.cases, kPrior.hard_nodule_rate.cases + 40.0);
    EXPECT_TRUE(model.faults_recorded);
    EXPECT_TRUE(model.hard_nodules_recorded);
}

TEST(ModelFromFit, CountsFaultsOfAClassThatThePriorDoesNotList) {
    // 20 faults in 60 cases with wall suction must not be predicted as "other", 1 in 30.
    CaseTable cases = sixty_operations();
    for (std::size_t i = 0; i < 60; ++i) {
        cases.blade[i] = BladeMotion::reciprocating;
        cases.suction[i] = Suction::wall;
        cases.device_fault[i] = i % 3 == 0 ? 1.0 : 0.0;
    }
    const FittedModel model = fitted(cases).model;
    double rate = 0.0;
    for (const auto& [name, one] : model.fault_rates) {
        if (name == device_class_name(BladeMotion::reciprocating, Suction::wall) || (name == "other" && rate == 0.0))
            rate = one.mean();
    }
    EXPECT_GT(rate, 0.15);
}

TEST(ModelFromFit, FaultsOfADeviceWithAPriorOfItsOwnAreNotItsClasss) {
    CaseTable cases = sixty_operations();
    for (std::size_t i = 0; i < 60; ++i) {
        cases.blade[i] = BladeMotion::oscillating;
        cases.suction[i] = Suction::vacuum;
        cases.device[i] = i < 30 ? "rotating/vacuum" : "";
        cases.device_fault[i] = i < 30 && i % 3 == 0 ? 1.0 : 0.0;
    }
    PriorSet prior = kPrior;
    prior.devices.push_back({"rotating/vacuum", 0.0, 0.4, NumberOrigin::assumption, "nobody has measured it"});
    const TheatreTimeFit fit = fit_theatre_time(cases, prior, {});
    const FittedModel model = model_from_fit(fit, cases, prior, {});
    const auto before = std::find_if(kPrior.fault_rates.begin(), kPrior.fault_rates.end(),
                                     [](const RatePrior& r) { return r.name == "oscillating/vacuum"; });
    ASSERT_NE(before, kPrior.fault_rates.end());
    for (const auto& [name, events] : {std::pair{"oscillating/vacuum", 0.0}, std::pair{"rotating/vacuum", 10.0}}) {
        const auto rate = std::find_if(model.fault_rates.begin(), model.fault_rates.end(),
                                       [&name = name](const auto& r) { return r.first == name; });
        ASSERT_NE(rate, model.fault_rates.end()) << name;
        EXPECT_DOUBLE_EQ(rate->second.events, before->events + events) << name;
        EXPECT_DOUBLE_EQ(rate->second.cases, before->cases + 30.0) << name;
    }
    // What is booked with it fails as it did, what is booked with the class does not.
    CaseTable booked(2);
    for (std::size_t i = 0; i < 2; ++i) {
        booked.case_id[i] = "the same draws";
        booked.gland_ml[i] = 80.0;
        booked.blade[i] = BladeMotion::oscillating;
        booked.suction[i] = Suction::vacuum;
        booked.device[i] = i == 0 ? "rotating/vacuum" : "";
        booked.canister_ml[i] = std::numeric_limits<double>::infinity();
    }
    FittedModel sure = model;
    sure.covariance.setZero();
    sure.theta[sure.layout.device_index(0)] = 0.0;
    const Prediction predicted = predict(sure, booked, {});
    const auto mean = [&](std::size_t i) {
        double sum = 0.0;
        for (std::size_t d = 0; d < predicted.n_draws; ++d)
            sum += predicted.minutes[(i * predicted.n_draws + d) * kPhases + 2];
        return sum / static_cast<double>(predicted.n_draws);
    };
    const auto chance = [&](std::string_view name) {
        for (const auto& [known, rate] : sure.fault_rates) {
            if (known == name) return rate.mean();
        }
        return 0.0;
    };
    const double more = chance("rotating/vacuum") - chance("oscillating/vacuum");
    const double expected = more * sure.theta[param::fault_min];
    EXPECT_NEAR(mean(0) - mean(1), expected, 0.25 * expected);  // some 370 faults, and the noise's mean
}

TEST(ModelFromFit, AFewEntriesAreNotARecord) {
    CaseTable cases = plain().cases;
    cases.device_fault.assign(cases.size(), std::nan(""));
    cases.hard_nodule.assign(cases.size(), std::nan(""));
    cases.canister_ml.assign(cases.size(), std::nan(""));
    cases.canister_swaps.assign(cases.size(), std::nan(""));
    for (std::size_t i = 0; i < 5; ++i) cases.device_fault[i] = 0.0;
    const FittedModel model = fitted(cases).model;
    EXPECT_FALSE(model.faults_recorded);
    EXPECT_FALSE(model.hard_nodules_recorded);
    EXPECT_FALSE(model.canisters_recorded);
}

TEST(ModelFromFit, AnUnnumberedSurgeonHasNoLastCaseNumber) {
    CaseTable cases = plain().cases;
    for (std::size_t i = 0; i < cases.size(); ++i) {
        if (cases.surgeon[i] == "A") cases.surgeon_case_no[i] = std::nan("");
    }
    const FittedModel model = fitted(cases).model;
    EXPECT_TRUE(std::isnan(model.surgeons[0].last_case_no));
    EXPECT_EQ(model.surgeons[0].cases, 75);
}

TEST(DeviceClassName, SpellsBothParts) {
    EXPECT_EQ(device_class_name(BladeMotion::oscillating, Suction::vacuum), "oscillating/vacuum");
    EXPECT_EQ(device_class_name(BladeMotion::unknown, Suction::wall), "unknown/wall");
    EXPECT_EQ(device_class_name(BladeMotion::reciprocating, Suction::unknown), "reciprocating/unknown");
}

}  // namespace
}  // namespace lobetime
