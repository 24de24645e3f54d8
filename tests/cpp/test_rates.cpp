#include <lobetime/core/errors.hpp>
#include <lobetime/evidence/rates.hpp>

#include <gtest/gtest.h>
#include <boost/math/special_functions/trigamma.hpp>

#include <cmath>

namespace lobetime {
namespace {

std::vector<RateCounts> counts(const std::vector<std::pair<double, double>>& rows) {
    std::vector<RateCounts> out;
    for (const auto& [events, cases] : rows) out.push_back({std::to_string(out.size() + 1), "a study", events, cases});
    return out;
}

double expit(double x) { return 1.0 / (1.0 + std::exp(-x)); }

TEST(BinomialNormal, IsBinomialWithoutSpread) {
    EXPECT_NEAR(binomial_normal_log_likelihood(counts({{3, 40}}), -2.0, 0.0),
                3 * std::log(expit(-2.0)) + 37 * std::log(expit(2.0)), 1e-12);
}

TEST(BinomialNormal, IsTheIntegralOverUnits) {
    // Trapezoids over twelve SDs: exact to rounding for an analytic integrand that dies out.
    for (const auto& [events, cases] : {std::pair{0.0, 30.0}, {4.0, 100.0}, {400.0, 4000.0}, {1.5, 20.0}}) {
        for (const double sd : {0.1, 0.5, 1.5}) {
            const double logit = -2.5, step = 1e-3;
            // Of the best that any chance does: the likelihood itself is too small for a double.
            const double share = events / cases;
            const double top = (events > 0.0 ? events * std::log(share) : 0.0) + (cases - events) * std::log1p(-share);
            double sum = 0.0;
            for (double z = -12.0; z <= 12.0; z += step) {
                const double p = expit(logit + sd * z);
                sum += step * std::exp(events * std::log(p) + (cases - events) * std::log1p(-p) - 0.5 * z * z - top);
            }
            // Fifteen nodes about the mode: 1e-4 where the integrand is most skewed.
            EXPECT_NEAR(binomial_normal_log_likelihood(counts({{events, cases}}), logit, sd),
                        top + std::log(sum) - 0.5 * std::log(2.0 * 3.14159265358979), 1e-4)
                << events << " " << cases << " " << sd;
        }
    }
}

TEST(PoolRates, IsThePooledShareWhereUnitsAreAlike) {
    const PooledRate found = pool_rates(counts({{5, 100}, {10, 200}, {20, 400}}));
    EXPECT_EQ(found.between_sd, 0.0);
    EXPECT_NEAR(found.rate, 0.05, 1e-7);
    EXPECT_LT(found.lower, 0.05);
    EXPECT_GT(found.upper, 0.05);
}

TEST(PoolRates, FindsASpreadWhereUnitsDiffer) {
    const PooledRate found = pool_rates(counts({{1, 100}, {30, 100}, {3, 100}, {20, 100}}));
    EXPECT_GT(found.between_sd, 0.8);
    EXPECT_GT(found.i2_percent, 50.0);
    // The top: neither the mean nor the spread can move and gain.
    const auto rows = counts({{1, 100}, {30, 100}, {3, 100}, {20, 100}});
    const double logit = std::log(found.rate / (1.0 - found.rate));
    const double top = binomial_normal_log_likelihood(rows, logit, found.between_sd);
    for (const double step : {-0.01, 0.01}) {
        EXPECT_LT(binomial_normal_log_likelihood(rows, logit + step, found.between_sd), top);
        EXPECT_LT(binomial_normal_log_likelihood(rows, logit, found.between_sd + step), top);
    }
}

TEST(PoolRates, TakesAllAndNone) {
    const PooledRate none = pool_rates(counts({{0, 40}, {0, 25}})), all = pool_rates(counts({{40, 40}, {25, 25}}));
    EXPECT_EQ(none.rate, 0.0);
    EXPECT_EQ(none.lower, 0.0);
    EXPECT_EQ(all.rate, 1.0);
    EXPECT_EQ(all.upper, 1.0);
    // Seen from the other side it is the same.
    EXPECT_NEAR(none.upper, 1.0 - all.lower, 1e-7);
    EXPECT_GT(none.upper, 1.0 - std::exp(-1.9207 / 65.0)) << "a spread between units can only widen it";
}

TEST(PoolRates, PseudoCountsHaveTheRateAndTheSpread) {
    for (const auto& rows : {counts({{29, 216}, {55, 559}}), counts({{4.4, 200}}), counts({{0, 30}})}) {
        const PooledRate found = pool_rates(rows);
        const auto [events, cases] = found.pseudo_counts();
        EXPECT_GT(events, 0.0);
        EXPECT_LT(events, cases);
        EXPECT_LT(cases, found.cases) << "units differ, so others' cases count for less than own ones";
        EXPECT_NEAR(boost::math::trigamma(events) + boost::math::trigamma(cases - events),
                    found.predicted_logit_variance, 1e-6);
    }
}

TEST(PoolRates, RefusesCountsThatCannotBe) {
    EXPECT_THROW(pool_rates({}), InvalidArgument);
    EXPECT_THROW(pool_rates(counts({{3, 2}})), InvalidArgument);
    EXPECT_THROW(pool_rates(counts({{-1, 2}})), InvalidArgument);
    EXPECT_THROW(clopper_pearson(1, 0), InvalidArgument);
    EXPECT_THROW(clopper_pearson(1, 10, 1.0), InvalidArgument);
}

TEST(ClopperPearson, ClosesAtNoneAndAll) {
    EXPECT_EQ(clopper_pearson(0, 20).first, 0.0);
    EXPECT_NEAR(clopper_pearson(0, 20).second, 1.0 - std::pow(0.025, 1.0 / 20.0), 1e-12);
    EXPECT_EQ(clopper_pearson(20, 20).second, 1.0);
}

TEST(PublishedRates, EveryClassIsPooledAndGraded) {
    for (const PooledFigure& one : pooled_rate_figures()) {
        EXPECT_GT(one.upper, one.estimate) << one.name;
        EXPECT_LT(one.lower, one.estimate) << one.name;
        EXPECT_FALSE(one.sources.empty()) << one.name;
        if (one.sources.find("common practice") != std::string::npos) {
            EXPECT_EQ(one.grade, Grade::very_low) << one.name;
        }
    }
    EXPECT_TRUE(published_rates("malfunction", "no such class").empty());
}

}  // namespace
}  // namespace lobetime
