#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/evidence/meta_regression.hpp>
#include <lobetime/evidence/published_prior.hpp>
#include <lobetime/model/formulas.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <optional>

namespace lobetime {
namespace {

using ::testing::HasSubstr;

Eigen::VectorXd assumed_mean() {
    Eigen::VectorXd theta(param::Count);
    for (int p = 0; p < param::Count; ++p)
        theta[p] = assumed_prior().parameters[static_cast<std::size_t>(p)].working_mean();
    return theta;
}

/// Mean of log-normal values with this median.
double mean_of(double median, double log_sd) { return median * std::exp(0.5 * log_sd * log_sd); }
double sd_of(double median, double log_sd) { return mean_of(median, log_sd) * std::sqrt(std::expm1(log_sd * log_sd)); }

/// One series of each of many units whose levels scatter as told; a thousand cases, so sampling errors are small. With
/// a trend (log ratio of enucleation time per decade) they are of the years 2000 to 2019 and the levels those of 2014.
std::vector<Series> simulated(int units, const std::array<double, 3>& levels, const std::array<double, 3>& spreads,
                              std::optional<double> trend = std::nullopt) {
    std::vector<Series> out;
    for (int u = 0; u < units; ++u) {
        const CounterRandom random(11, static_cast<std::uint64_t>(u));
        const auto z = random.normals(0), more = random.normals(1);
        Eigen::VectorXd theta = assumed_mean();
        theta[param::yield_g_80] = levels[0] + spreads[0] * z[0];
        theta[param::e_80] = levels[1];
        const double year = 2000.0 + u % 20;
        const double slower = spreads[1] * z[1] + trend.value_or(0.0) * (year - 2014.0) / 10.0;
        theta[param::rate_50] = levels[2] + spreads[2] * more[0];
        CaseFeatures one;
        one.log_v80 = 0.4 * more[1];
        one.oscillating = 0.0;
        one.vacuum = 1.0;
        one.peristaltic = 0.0;
        const double* t = theta.data();
        const double log_tissue = formulas::log_tissue(t, one);
        const double blade = formulas::blade_min(t, one, log_tissue, 0.0, 0.0);
        const double swaps = formulas::expected_swaps(std::log(formulas::fluid_ml(t, one, blade)), std::log(2000.0),
                                                      std::exp(theta[param::fluid_log_sd]));
        Series row;
        row.id = row.study = row.unit = "U" + std::to_string(u);
        row.citation = "simulated";
        row.n = 1000;
        if (trend) row.year = year;
        row.blade = "reciprocating";
        const auto reported = [](double median) { return Reported{mean_of(median, 0.3), sd_of(median, 0.3)}; };
        row.gland = reported(80.0 * std::exp(one.log_v80));
        row.tissue = reported(std::exp(log_tissue));
        row.enucleation = reported(formulas::enucleation_min(t, one, slower, 0.0));
        row.morcellation = reported(formulas::morcellation_min(t, one, blade, swaps));
        out.push_back(row);
    }
    return out;
}

TEST(PoolSeries, FindsLevelsAndTheirSpreads) {
    const std::array<double, 3> levels = {std::log(50.0), std::log(40.0), std::log(5.0)};
    const std::array<double, 3> spreads = {0.10, 0.50, 0.60};
    const PooledSeries pooled = pool_series(simulated(60, levels, spreads), assumed_prior());
    for (std::size_t k = 0; k < 3; ++k) {
        const int p = kPooledLevels[k];
        // Of enucleation, what grows with the gland and what does not are told apart by their assumption, too.
        const double se = std::sqrt(pooled.covariance(p, p));
        EXPECT_NEAR(pooled.mean[p], levels[k], 3.0 * se) << p;
        EXPECT_LT(se, 0.3 * spreads[k] + 0.02) << p;
        // Sixty units leave 9 % in the spread itself: three times that. The other parameters of a unit, which are
        // assumed to scatter, do not here: the spreads come out smaller.
        EXPECT_NEAR(std::sqrt(pooled.between(p, p)), spreads[k], 0.3 * spreads[k] + 0.03) << p;
        EXPECT_NEAR(pooled.studies[p], 60, 5);  // those of whose figures a share counts
        EXPECT_EQ(pooled.cases[p], 1000 * pooled.studies[p]);
    }
}

TEST(PoolSeries, AZeroSpreadBetweenUnitsIsAnAnswer) {
    const PooledSeries pooled =
        pool_series(simulated(12, {std::log(50.0), std::log(40.0), std::log(5.0)}, {0.0, 0.0, 0.0}), assumed_prior());
    for (const int p : kPooledLevels) {
        EXPECT_EQ(pooled.between(p, p), 0.0) << p;
        EXPECT_EQ(pooled.i2_percent[p], 0.0) << p;
    }
}

TEST(PoolSeries, FewUnitsThatLookAlikeMayStillDiffer) {
    const std::array<double, 3> levels = {std::log(50.0), std::log(40.0), std::log(5.0)};
    const PooledSeries few = pool_series(simulated(6, levels, {0.0, 0.0, 0.0}), assumed_prior());
    const PooledSeries many = pool_series(simulated(48, levels, {0.0, 0.0, 0.0}), assumed_prior());
    for (const int p : kPooledLevels) {
        EXPECT_GT(few.between_of_range(p, p), 0.0) << p;
        EXPECT_LT(many.between_of_range(p, p), 0.5 * few.between_of_range(p, p)) << p;
    }
    const PooledSeries wide = pool_series(simulated(60, levels, {0.10, 0.50, 0.60}), assumed_prior());
    // Sixty units tell a variance to 18 %; its mean lies a little above where it is likeliest.
    for (const int p : kPooledLevels) EXPECT_NEAR(wide.between_of_range(p, p) / wide.between(p, p), 1.05, 0.15) << p;
}

TEST(PoolSeries, FindsATrendWithTheYearAndGivesTheNewestDecadesLevels) {
    const std::array<double, 3> levels = {std::log(50.0), std::log(40.0), std::log(5.0)};
    const std::array<double, 3> spreads = {0.05, 0.20, 0.20};
    const double trend = -0.2;
    std::vector<Series> series = simulated(80, levels, spreads, trend);
    const PooledSeries pooled = pool_series(series, assumed_prior());
    // Eighty units over two decades tell a trend to 0.2 / sqrt(80) / 0.58 = 0.04, which draws it to none by a seventh.
    EXPECT_NEAR(pooled.mean[kEnucleationTrend], trend, 0.1);
    const double se = std::sqrt(pooled.covariance(param::e_80, param::e_80));
    EXPECT_NEAR(pooled.mean[param::e_80], levels[1], 3.0 * se);
    for (Series& row : series) row.year = std::nan("");
    const PooledSeries without = pool_series(series, assumed_prior());
    // A trend that is taken for scatter: 0.2 * 0.58 on top of 0.2.
    EXPECT_GT(without.between(param::e_80, param::e_80), 1.1 * pooled.between(param::e_80, param::e_80));
    EXPECT_GT(without.mean[param::e_80], pooled.mean[param::e_80]);  // of 2009 or so
}

TEST(PoolSeries, WithoutYearsThereIsNoTrend) {
    const PooledSeries pooled =
        pool_series(simulated(12, {std::log(50.0), std::log(40.0), std::log(5.0)}, {0.1, 0.1, 0.1}), assumed_prior());
    EXPECT_EQ(pooled.mean[kEnucleationTrend], 0.0);
    EXPECT_NEAR(pooled.covariance(kEnucleationTrend, kEnucleationTrend), 0.1 * 0.1, 1e-15);  // as assumed
}

TEST(PoolSeries, ASlowUnitIsSlowInWhatDoesNotGrowWithTheGlandToo) {
    const PooledSeries pooled = pool_series(published_series(), assumed_prior());
    const int level = param::e_80, fixed = param::e_fixed;
    ASSERT_GT(pooled.between(level, level), 0.0);
    // e_fixed is on its own scale: minutes per log ratio of the level.
    EXPECT_NEAR(pooled.between(fixed, level) / pooled.between(level, level), pooled.mean[fixed], 1e-12);
    EXPECT_NEAR(pooled.between(fixed, fixed), pooled.mean[fixed] * pooled.between(fixed, level), 1e-9);
}

TEST(PoolSeries, AMeanOverManyUnitsOrSurgeonsWeighsMore) {
    const auto enucleation = [](double units, double surgeons) {
        std::vector<Series> series = published_series();
        for (Series& row : series) {
            row.year = std::nan("");  // an early and fast series that counts for more makes the trend flatter, too
            if (row.id != "E01") continue;
            row.n_units = units;
            row.n_surgeons = surgeons;
        }
        return pool_series(series, assumed_prior()).mean[param::e_80];
    };
    // E01 is faster than what the other studies predict for it, so the mean comes nearer to it.
    EXPECT_LT(enucleation(1.0, 10.0), enucleation(1.0, 1.0));
    EXPECT_LT(enucleation(10.0, 10.0), enucleation(1.0, 10.0));
}

TEST(PoolSeries, IsTheSameBitForBit) {
    const PooledSeries first = pool_series(published_series(), assumed_prior());
    const PooledSeries again = pool_series(published_series(), assumed_prior());
    EXPECT_TRUE((first.mean.array() == again.mean.array()).all());
    EXPECT_TRUE((first.covariance.array() == again.covariance.array()).all());
    EXPECT_TRUE((first.between.array() == again.between.array()).all());
}

TEST(PoolSeries, DoesNotDependOnTheOrderOfRows) {
    std::vector<Series> turned(published_series().rbegin(), published_series().rend());
    const PooledSeries first = pool_series(published_series(), assumed_prior());
    const PooledSeries again = pool_series(turned, assumed_prior());
    // Both stop where a round moves nothing by more than 1e-8.
    EXPECT_LT((first.mean - again.mean).cwiseAbs().maxCoeff(), 1e-6);
    EXPECT_LT((first.between - again.between).cwiseAbs().maxCoeff(), 1e-6);
}

TEST(PoolSeries, LeavesAloneWhatNoSeriesTells) {
    const PooledSeries pooled = pool_series(published_series(), assumed_prior());
    const Eigen::VectorXd assumed = assumed_mean();
    for (const int p : {param::flow_wall, param::fault_min, param::room_min, param::m_hard_nodule}) {
        EXPECT_EQ(pooled.mean[p], assumed[p]);
        EXPECT_EQ(pooled.told[p], 0.0);
        EXPECT_EQ(pooled.studies[p], 0);
        const double sd = assumed_prior().parameters[static_cast<std::size_t>(p)].working_sd();
        EXPECT_NEAR(pooled.new_unit_variance(p), sd * sd, 1e-12);
    }
}

TEST(PoolSeries, RefusesNoSeries) { EXPECT_THROW(pool_series({}, assumed_prior()), InvalidArgument); }

TEST(LeaveOneStudyOut, PredictsAStudyWithoutItself) {
    std::vector<Series> series = published_series();
    const auto predicted = leave_one_study_out(series, assumed_prior());
    for (Series& row : series) {
        if (row.study == "E01") row.enucleation = {5 * 45.4, 5 * 22.9};  // as precise as before
    }
    const auto changed = leave_one_study_out(series, assumed_prior());
    ASSERT_EQ(predicted.size(), changed.size());
    for (std::size_t i = 0; i < predicted.size(); ++i) {
        if (predicted[i].study != "E01") continue;
        EXPECT_EQ(predicted[i].lower, changed[i].lower) << "what is left out must not be seen";
        EXPECT_EQ(predicted[i].upper, changed[i].upper);
    }
}

TEST(CheckSeries, NamesEveryProblem) {
    Series row;
    row.id = "X1";
    row.own = true;
    row.n = 1;
    row.year = 1889;
    row.enucleation = {900.0};
    try {
        check_series(std::array{row});
        FAIL() << "must be refused";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), HasSubstr("row X1, column n: 1; allowed: 2 to 1000000"));
        EXPECT_THAT(error.what(), HasSubstr("row X1, column year: 1889; allowed: 1990 to 2100"));
        EXPECT_THAT(error.what(), HasSubstr("row X1, column enucleation_min: 900; allowed: 1 to 600 min"));
        EXPECT_THAT(error.what(), HasSubstr("row X1, column citation: blank"));
    }
}

TEST(CheckSeries, LikesThePublishedOnes) { EXPECT_NO_THROW(check_series(published_series())); }

TEST(PublishedEvidence, AnotherRowMovesThePriorAndSaysSo) {
    Series row;
    row.id = row.study = row.unit = "X1";
    row.citation = "an audit";
    row.own = true;
    row.n = 300;
    row.gland = {80.0, 40.0};
    row.enucleation = {150.0, 60.0};
    const PublishedEvidence with = published_evidence({row});
    EXPECT_EQ(with.prior.label, "published, with own rows X1");
    EXPECT_GT(with.prior.find("e_80")->centre, published_prior().find("e_80")->centre);
    EXPECT_THAT(with.prior.find("e_80")->source, HasSubstr("X1"));
    EXPECT_EQ(published_prior().label, "published");
}

}  // namespace
}  // namespace lobetime
