#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/model/formulas.hpp>

#include "eigen_matchers.hpp"
#include "simulated_unit.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <Eigen/LU>

#include <algorithm>
#include <cmath>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using lobetime::testing::simulate_unit;
using lobetime::testing::UnitOptions;
using ::testing::HasSubstr;
using ::testing::Property;

const PriorSet kPrior = published_prior();

CaseTable cases_of(std::size_t n) {
    UnitOptions options;
    options.n_cases = n;
    CaseTable cases = simulate_unit(options).cases;
    for (std::size_t i = 0; i < n; i += 9) cases.morcellation_outcome[i] = MorcellationOutcome::deferred;
    for (std::size_t i = 0; i < n; i += 7) cases.tissue_g[i] = std::nan("");
    for (std::size_t i = 0; i < n; i += 5) cases.enucleation_min[i] = std::nan("");
    return cases;
}

TEST(ObjectiveOf, IsTheObjectiveThatWasMinimised) {
    const CaseTable cases = cases_of(300);
    const TheatreTimeFit fit = fit_theatre_time(cases, kPrior);
    const TimeObjective objective = objective_of(fit, cases, Loss("bisquare"), 1);
    Evaluation evaluation;
    objective.evaluate(fit.theta, Curvature::reweighted, evaluation);
    // The spreads of sums were held a last step of the parameters earlier, which the fit's tolerance bounds.
    EXPECT_NEAR(evaluation.cost / fit.minimum.cost, 1.0, 1e-8);
    ASSERT_EQ(objective.observations().size(), fit.observations.size());
    const std::vector<double> standardised = objective.standardised_residuals(fit.theta);
    for (std::size_t o = 0; o < standardised.size(); ++o)
        EXPECT_NEAR(standardised[o], fit.observations[o].standardised, 1e-6) << o;
}

TEST(ObjectiveOf, CaseScoresCancelThePriorsPull) {
    const CaseTable cases = cases_of(300);
    const TheatreTimeFit fit = fit_theatre_time(cases, kPrior);
    const TimeObjective objective = objective_of(fit, cases, Loss("bisquare"), 1);
    const Eigen::VectorXd sum =
        objective.case_scores(fit.theta).colwise().sum().transpose() + fit.slope_without_cases();
    for (int i = 0; i < fit.layout.size(); ++i) {
        const std::string& name = fit.layout.names()[static_cast<std::size_t>(i)];
        const auto& bound = fit.minimum.on_bound;
        if (std::find(bound.begin(), bound.end(), name) != bound.end()) continue;
        // In standard errors of the parameter.
        EXPECT_NEAR(sum[i] / std::sqrt(fit.curvature(i, i)), 0.0, 1e-6) << name;
    }
}

TEST(ObjectiveOf, CostWithoutCasesIsWhatTheCasesDoNotPay) {
    const CaseTable cases = cases_of(300);
    const TheatreTimeFit fit = fit_theatre_time(cases, kPrior);
    TimeObjective objective = objective_of(fit, cases, Loss("bisquare"), 1);
    Evaluation whole, of_cases;
    objective.evaluate(fit.theta, Curvature::reweighted, whole);
    objective.set_counts_used(0.0);
    objective.set_prior_precision(Eigen::MatrixXd::Zero(fit.layout.size(), fit.layout.size()));
    objective.evaluate(fit.theta, Curvature::reweighted, of_cases);
    EXPECT_GT(fit.counts_used, 0.0);
    EXPECT_NEAR(whole.cost - of_cases.cost, fit.cost_without_cases(), 1e-10 * whole.cost);
}

TEST(ObjectiveOf, CaseLeveragesAddUpToTheParametersThatTheCasesDecide) {
    const CaseTable cases = cases_of(300);
    const TheatreTimeFit fit = fit_theatre_time(cases, kPrior);
    const TimeObjective objective = objective_of(fit, cases, Loss("bisquare"), 1);
    const Eigen::MatrixXd inverse = inverse_reweighted_curvature(objective, fit.theta);
    const double all = static_cast<double>(fit.layout.size());
    const double priors = inverse.cwiseProduct(fit.prior_precision).sum();
    EXPECT_NEAR(objective.case_leverage(fit.theta, inverse).sum(), all - priors, 1e-8 * all);
}

TEST(ObjectiveOf, RefusesAnotherNumberOfCases) {
    const CaseTable cases = cases_of(60);
    const TheatreTimeFit fit = fit_theatre_time(cases, kPrior);
    EXPECT_THAT([&] { objective_of(fit, cases_of(61), Loss("bisquare"), 1); },
                ::testing::Throws<InvalidArgument>(Property(&std::exception::what, HasSubstr("60 cases, not 61"))));
}

TEST(FittedObservation, FittedIsTheMedianThatTheResidualRefersTo) {
    const CaseTable cases = cases_of(200);
    const TheatreTimeFit fit = fit_theatre_time(cases, kPrior);
    std::vector<CaseFeatures> features = case_features(cases, fit.layout);
    observations_of(cases, features);  // blanks the tissue of deferred cases
    int alone = 0;
    for (const FittedObservation& one : fit.observations) {
        const CaseFeatures& f = features[static_cast<std::size_t>(one.observation.case_index)];
        if (one.observation.kind == ObservationKind::swap_count) {
            EXPECT_TRUE(std::isnan(one.fitted));
        } else if (one.observation.channel == Channel::tissue) {
            EXPECT_NEAR(std::log(one.fitted), formulas::log_tissue(fit.theta.data(), f), 1e-12);
        } else if (one.observation.channel == Channel::enucleation) {
            const auto at = [&](int index) { return index >= 0 ? fit.theta[index] : 0.0; };
            const double level = at(f.surgeon >= 0 ? fit.layout.surgeon_enucleation_index(f.surgeon) : -1);
            const double learning = at(f.surgeon >= 0 ? fit.layout.surgeon_learning_index(f.surgeon) : -1);
            EXPECT_NEAR(one.fitted / formulas::enucleation_min(fit.theta.data(), f, level, learning), 1.0, 1e-12);
            ++alone;
        } else if (std::isfinite(f.log_tissue) && one.observation.recorded - one.observation.offset_min > one.fitted) {
            // Away from the tangent that replaces the logarithm near 0, sums included.
            const double log_ratio = std::log((one.observation.recorded - one.observation.offset_min) / one.fitted);
            EXPECT_NEAR(one.standardised * one.spread, log_ratio, 1e-9);
        }
    }
    EXPECT_GT(alone, 100);
}

TEST(FitOptions, HeldSpreadsAreHeld) {
    const CaseTable cases = cases_of(200);
    const TheatreTimeFit free = fit_theatre_time(cases, kPrior);
    FitOptions options;
    options.held_spreads.emplace();
    for (std::size_t c = 0; c < free.channels.size(); ++c) (*options.held_spreads)[c] = free.channels[c].spread;
    options.held_groups = {free.surgeon_enucleation.log_sd, free.surgeon_morcellation.log_sd,
                           free.surgeon_learning.log_sd, free.device.log_sd};
    const TheatreTimeFit same = fit_theatre_time(cases, kPrior, options);
    const Eigen::VectorXd se = free.curvature.inverse().diagonal().cwiseSqrt();
    // The fit's own tolerance is 1e-9 standard errors between rounds.
    EXPECT_LT(((same.theta - free.theta).array() / se.array()).abs().maxCoeff(), 1e-6);

    for (double& spread : *options.held_spreads) spread *= 2.0;
    const TheatreTimeFit wide = fit_theatre_time(cases, kPrior, options);
    for (std::size_t c = 0; c < free.channels.size(); ++c)
        EXPECT_EQ(wide.channels[c].spread, 2.0 * free.channels[c].spread);

    options.held_spreads->front() = 0.0;
    EXPECT_THROW(fit_theatre_time(cases, kPrior, options), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
