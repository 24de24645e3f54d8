#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/fit/observations.hpp>
#include <lobetime/model/layout.hpp>

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <set>

namespace lobetime {
namespace {

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
