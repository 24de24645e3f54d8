#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/fit/observations.hpp>
#include <lobetime/model/layout.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <set>

namespace lobetime {
namespace {

using ::testing::HasSubstr;
using ::testing::ThrowsMessage;

const PriorSet kPrior = published_prior();

TEST(PublishedPrior, HasOneRowForEachCoreParameter) {
    EXPECT_EQ(kPrior.parameters.size(), static_cast<std::size_t>(param::Count));
    for (const auto& row : core_parameters()) {
        EXPECT_NE(kPrior.find(row.name), nullptr) << row.name;
        EXPECT_EQ(std::count_if(kPrior.parameters.begin(), kPrior.parameters.end(),
                                [&](const auto& p) { return p.name == row.name; }),
                  1);
    }
}

TEST(PublishedPrior, RangesAreInOrderAndInsideTheBounds) {
    for (const ParameterPrior& one : kPrior.parameters) {
        const ParameterDefinition& row = core_parameters()[static_cast<std::size_t>(core_parameter_index(one.name))];
        EXPECT_LT(one.low, one.centre) << one.name;
        EXPECT_LT(one.centre, one.high) << one.name;
        EXPECT_GE(one.low, row.lower) << one.name;
        EXPECT_LE(one.high, row.upper) << one.name;
        EXPECT_GT(one.centre, row.lower) << one.name;
        EXPECT_LT(one.centre, row.upper) << one.name;
        EXPECT_GT(one.working_sd(), 0.0) << one.name;
    }
}

TEST(PublishedPrior, CentreIsAboutTheMiddleOfItsRange) {
    // A Gaussian on the working scale is symmetric: a centre near an end would not be what its range says. A skew of
    // 0.4 widths is the most that is let through (e_half: 10 cases, published range 7 to 17).
    for (const ParameterPrior& one : kPrior.parameters) {
        const Transform transform =
            core_parameters()[static_cast<std::size_t>(core_parameter_index(one.name))].transform;
        const double middle = 0.5 * (to_working(transform, one.low) + to_working(transform, one.high));
        EXPECT_NEAR(one.working_mean(), middle, 0.4 * one.working_sd()) << one.name;
    }
}

TEST(PublishedPrior, ParametersAreBelievedJointly) {
    const Eigen::MatrixXd& r = kPrior.correlation;
    ASSERT_EQ(r.rows(), param::Count);
    EXPECT_TRUE(r.isApprox(r.transpose(), 1e-14));
    EXPECT_TRUE((r.diagonal().array() == 1.0).all());
    const Eigen::MatrixXd covariance = kPrior.working_covariance();
    for (int i = 0; i < param::Count; ++i) {
        const ParameterPrior& one = kPrior.parameters[static_cast<std::size_t>(i)];
        EXPECT_EQ(one.name, core_parameters()[static_cast<std::size_t>(i)].name);
        EXPECT_NEAR(std::sqrt(covariance(i, i)), one.working_sd(), 1e-14) << one.name;
        EXPECT_NEAR(covariance(i, 0), r(i, 0) * one.working_sd() * kPrior.parameters[0].working_sd(), 1e-14);
    }
    // A unit that is slow at what grows with the gland is slow at the rest of its enucleation; who learns much starts
    // from a lower plateau, since most series are of both early and later cases.
    EXPECT_GT(r(param::e_fixed, param::e_80), 0.2);
    EXPECT_LT(r(param::e_learn, param::e_80), -0.05);
}

TEST(PublishedPrior, ImpossibleCorrelationsAreRefused) {
    PriorSet prior = kPrior;
    prior.correlation = Eigen::MatrixXd::Identity(3, 3);
    EXPECT_THAT([&] { (void)prior.working_covariance(); },
                ThrowsMessage<InvalidArgument>(HasSubstr("a row and a column for each")));
    prior.correlation = Eigen::MatrixXd::Constant(param::Count, param::Count, -0.9);
    EXPECT_THAT([&] { (void)prior.working_covariance(); },
                ThrowsMessage<InvalidArgument>(HasSubstr("positive definite")));
    prior.correlation = {};
    EXPECT_TRUE(prior.working_covariance().isDiagonal());
    prior.parameters.pop_back();
    EXPECT_THAT([&] { (void)prior.working_mean(); }, ThrowsMessage<InvalidArgument>(HasSubstr("no row for")));
}

TEST(PublishedPrior, SaysWhereEachNumberComesFrom) {
    for (const ParameterPrior& one : kPrior.parameters) {
        EXPECT_NE(one.origin, NumberOrigin::cases) << one.name;
        EXPECT_FALSE(one.source.empty()) << one.name;
    }
    for (const SpreadPrior& one : kPrior.spreads) {
        EXPECT_NE(one.origin, NumberOrigin::cases) << one.name;
        EXPECT_FALSE(one.source.empty()) << one.name;
    }
    for (const RatePrior& one : kPrior.fault_rates) EXPECT_FALSE(one.source.empty()) << one.name;
    EXPECT_FALSE(kPrior.hard_nodule_rate.source.empty());
    EXPECT_FALSE(kPrior.group_source.empty());
}

TEST(PublishedPrior, HasASpreadForEachChannel) {
    EXPECT_EQ(kPrior.spreads.size(), static_cast<std::size_t>(kChannels));
    for (int c = 0; c < kChannels; ++c) {
        const SpreadPrior& spread = kPrior.spread(channel_name(static_cast<Channel>(c)));
        EXPECT_LT(spread.low, spread.centre) << spread.name;
        EXPECT_LT(spread.centre, spread.high) << spread.name;
        EXPECT_GT(spread.low, 0.0) << spread.name;
    }
}

TEST(PublishedPrior, RatesAreChancesAndCoverAnyClass) {
    std::set<std::string> names;
    for (const RatePrior& one : kPrior.fault_rates) {
        EXPECT_GT(one.events, 0.0) << one.name;
        EXPECT_LT(one.events, one.cases) << one.name;
        EXPECT_TRUE(names.insert(one.name).second) << one.name;
    }
    EXPECT_EQ(names.count("other"), 1U);
    EXPECT_GT(kPrior.hard_nodule_rate.events, 0.0);
    EXPECT_LT(kPrior.hard_nodule_rate.events, kPrior.hard_nodule_rate.cases);
    EXPECT_LT(std::abs(kPrior.phase_correlation), 1.0);
}

TEST(PublishedPrior, OscillatingWithVacuumFailsMoreOftenThanReciprocating) {
    // Common practice, long established: a bit over 2 % against below 1 %.
    const auto rate = [&](const std::string& name) {
        const auto it = std::find_if(kPrior.fault_rates.begin(), kPrior.fault_rates.end(),
                                     [&](const auto& r) { return r.name == name; });
        return it->events / it->cases;
    };
    EXPECT_GT(rate("oscillating/vacuum"), 0.02);
    EXPECT_LT(rate("reciprocating/vacuum"), 0.01);
}

}  // namespace
}  // namespace lobetime
