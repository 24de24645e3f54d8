#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/monitor/cusum.hpp>
#include <lobetime/monitor/innovations.hpp>
#include <lobetime/monitor/run_length.hpp>

#include <Eigen/Cholesky>
#include <Eigen/Core>

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <limits>
#include <vector>

namespace lobetime {
namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

/// Mean of simulated run lengths with its standard error; `score(run, step)` gives each score.
struct Simulated {
    double mean, se;
};
Simulated simulate(int runs, double limit, double head_start,
                   const std::function<double(std::uint64_t, std::uint64_t)>& score) {
    double sum = 0.0, squares = 0.0;
    for (int run = 0; run < runs; ++run) {
        double total = head_start;
        std::uint64_t length = 0;
        while (total <= limit) {
            total = std::max(0.0, total + score(static_cast<std::uint64_t>(run), length));
            ++length;
        }
        const double value = static_cast<double>(length);
        sum += value;
        squares += value * value;
    }
    const double n = runs, mean = sum / n;
    return {mean, std::sqrt((squares / n - mean * mean) / n)};
}

Simulated simulate(const NormalScores& s, double limit, double head_start = 0.0) {
    return simulate(4000, limit, head_start, [&](std::uint64_t run, std::uint64_t step) {
        const double z = CounterRandom(7, run).normals(step)[0];
        return std::clamp(s.mean + s.sd * z, -s.winsor, s.winsor) - s.reference;
    });
}

Simulated simulate(const EventScores& s, double limit) {
    return simulate(3000, limit, 0.0, [&](std::uint64_t run, std::uint64_t step) {
        const auto u = CounterRandom(11, run).uniforms(step);
        const auto n = static_cast<double>(s.chances.size());
        const double p = s.chances[static_cast<std::size_t>(u[0] * n)];
        const double truly = s.true_odds_ratio * p / (1.0 - p + s.true_odds_ratio * p);
        return risk_adjusted_score(p, u[1] < truly, s.odds_ratio);
    });
}

TEST(Cusum, AddsUpAboveZeroAndStartsAnewAfterASignal) {
    const CusumPath path = cusum({1.0, -3.0, 2.0, 1.5, 0.5, -1.0, 4.0}, 3.0);
    EXPECT_EQ(path.sums, (std::vector<double>{1.0, 0.0, 2.0, 3.5, 0.5, 0.0, 4.0}));
    ASSERT_EQ(path.signals.size(), 2U);
    EXPECT_EQ(path.signals[0].at, 3U);
    EXPECT_EQ(path.signals[0].since, 2U) << "the first value after the sum last was 0";
    EXPECT_EQ(path.signals[1].at, 6U);
    EXPECT_EQ(path.signals[1].since, 6U);
}

TEST(Cusum, ReachingTheLimitIsNoSignal) {
    EXPECT_TRUE(cusum({1.0, 1.0}, 2.0).signals.empty());
    EXPECT_EQ(cusum({1.0, 1.0 + 1e-12}, 2.0).signals.size(), 1U);
}

TEST(Cusum, HeadStartCountsAtTheStartAndAfterASignal) {
    const CusumPath path = cusum({1.0, -0.5, 2.0}, 2.0, 1.5);
    EXPECT_EQ(path.sums, (std::vector<double>{2.5, 1.0, 3.0}));
    EXPECT_EQ(path.signals.size(), 2U);
}

TEST(Cusum, OfNothingIsNothing) { EXPECT_TRUE(cusum({}, 1.0).sums.empty()); }

TEST(Cusum, RefusesWhatHasNoMeaning) {
    EXPECT_THROW(cusum({1.0}, 0.0), InvalidArgument);
    EXPECT_THROW(cusum({1.0}, kNan), InvalidArgument);
    EXPECT_THROW(cusum({1.0}, 1.0, 1.0), InvalidArgument);
    EXPECT_THROW(cusum({1.0}, 1.0, -0.1), InvalidArgument);
    EXPECT_THROW(cusum({1.0, kNan}, 1.0), NotFinite);
    EXPECT_THROW(tabular_scores({1.0}, kNan, 0.5, Direction::up), InvalidArgument);
    EXPECT_THROW(tabular_scores({1.0}, 0.0, -0.5, Direction::up), InvalidArgument);
    EXPECT_THROW(learning_curve_scores({1.0}, 0.0), InvalidArgument);
    EXPECT_THROW(risk_adjusted_score(0.0, true, 2.0), InvalidArgument);
    EXPECT_THROW(risk_adjusted_score(1.0, true, 2.0), InvalidArgument);
    EXPECT_THROW(risk_adjusted_score(0.1, true, 1.0), InvalidArgument);
    EXPECT_THROW(risk_adjusted_score(0.1, true, -2.0), InvalidArgument);
    EXPECT_THROW(risk_adjusted_scores({0.1}, {true, false}, 2.0), InvalidArgument);
}

TEST(TabularScores, OfOneSideAreThoseOfTheOtherSideMirrored) {
    const std::vector<double> values = {1.0, -2.0, 0.3}, mirrored = {3.0, 6.0, 3.7};
    const auto up = tabular_scores(values, 2.0, 0.5, Direction::up);
    const auto down = tabular_scores(mirrored, 2.0, 0.5, Direction::down);
    for (std::size_t i = 0; i < values.size(); ++i) EXPECT_NEAR(up[i], down[i], 1e-15) << "rounding of one subtraction";
}

TEST(RiskAdjustedScore, ExpectsNothingGoodOfAChartInControl) {
    for (const double p : {0.001, 0.03, 0.4, 0.95}) {
        for (const double r : {0.5, 2.0, 5.0}) {
            const double event = risk_adjusted_score(p, true, r), none = risk_adjusted_score(p, false, r);
            EXPECT_LT(p * event + (1.0 - p) * none, 0.0) << "Kullback and Leibler";
            const double changed = r * p / (1.0 - p + r * p);
            EXPECT_NEAR(event, std::log(changed / p), 1e-13) << "log likelihood ratio of an event";
            EXPECT_NEAR(none, std::log((1.0 - changed) / (1.0 - p)), 1e-13) << "and of none";
        }
    }
}

TEST(LearningCurveScores, RiseWhileAdequateAndFallWhileNot) {
    const auto scores = learning_curve_scores({0.0, 0.8}, 0.8);
    EXPECT_DOUBLE_EQ(scores[0], 0.4);
    EXPECT_DOUBLE_EQ(scores[1], -0.4);
}

TEST(AverageRunLength, OfNormalScoresIsWhatSimulationGives) {
    constexpr double inf = std::numeric_limits<double>::infinity();
    for (const NormalScores& s : {NormalScores{0.0, 1.0, 0.5, inf}, NormalScores{0.0, 1.0, 0.5, 3.0},
                                  NormalScores{1.0, 1.0, 0.5, 3.0}, NormalScores{0.4, 0.7, 0.25, 1.5}}) {
        const double limit = 3.0;
        const Simulated found = simulate(s, limit);
        EXPECT_NEAR(average_run_length(s, limit), found.mean, 4.0 * found.se) << "four Monte Carlo standard errors";
        const Simulated fast = simulate(s, limit, 1.5);
        EXPECT_NEAR(average_run_length(s, limit, 1.5), fast.mean, 4.0 * fast.se) << "four Monte Carlo standard errors";
    }
}

TEST(AverageRunLength, OfEventsIsWhatSimulationGives) {
    for (const EventScores& s : {EventScores{{0.03}, 2.0, 1.0}, EventScores{{0.03}, 0.5, 1.0},
                                 EventScores{{0.02, 0.05, 0.03}, 2.0, 2.0}, EventScores{{0.2, 0.4}, 0.5, 1.0}}) {
        const double limit = 1.7;
        const Simulated found = simulate(s, limit);
        const double tolerance = 4.0 * found.se + 0.005 * found.mean;
        EXPECT_NEAR(average_run_length(s, limit), found.mean, tolerance)
            << "four Monte Carlo standard errors, and the lattice's few thousandths";
    }
}

TEST(AverageRunLength, OfAChartThatSignalsAtOnceIsOne) {
    EXPECT_NEAR(average_run_length(NormalScores{20.0, 1.0, 0.5}, 4.0), 1.0, 1e-9) << "rounding of the solution";
}

TEST(AverageRunLength, OfWinsorisedScoresIsLonger) {
    const double open = average_run_length(NormalScores{}, 5.0);
    NormalScores cut;
    cut.winsor = 3.0;
    EXPECT_GT(average_run_length(cut, 5.0), 1.02 * open) << "far values no longer help it to signal";
    cut.winsor = 9.0;
    EXPECT_NEAR(average_run_length(cut, 5.0), open, 1e-6 * open) << "hardly a value lies beyond 9";
}

TEST(AverageRunLength, RefusesWhatHasNoMeaning) {
    EXPECT_THROW(average_run_length(NormalScores{}, 0.0), InvalidArgument);
    EXPECT_THROW(average_run_length(NormalScores{}, 4.0, 4.0), InvalidArgument);
    EXPECT_THROW(average_run_length(NormalScores{kNan, 1.0, 0.5}, 4.0), InvalidArgument);
    EXPECT_THROW(average_run_length(NormalScores{0.0, 0.0, 0.5}, 4.0), InvalidArgument);
    EXPECT_THROW(average_run_length(NormalScores{0.0, 1.0, 0.5, 0.5}, 4.0), InvalidArgument);
    EXPECT_THROW(average_run_length(EventScores{{}, 2.0, 1.0}, 4.0), InvalidArgument);
    EXPECT_THROW(average_run_length(EventScores{{0.1, 0.0}, 2.0, 1.0}, 4.0), InvalidArgument);
    EXPECT_THROW(average_run_length(EventScores{{0.1}, 2.0, 0.0}, 4.0), InvalidArgument);
    EXPECT_THROW(limit_for_run_length(NormalScores{}, 9.0), InvalidArgument);
    EXPECT_THROW(limit_for_run_length(NormalScores{}, 2e6), InvalidArgument);
}

TEST(LimitForRunLength, HasThatRunLength) {
    NormalScores normal;
    normal.winsor = 3.0;
    for (const double wanted : {20.0, 500.0, 1e5}) {
        EXPECT_NEAR(average_run_length(normal, limit_for_run_length(normal, wanted)), wanted, 1e-5 * wanted)
            << "the search ends at 1e-7 of the limit, of which run lengths are a steep function";
    }
    for (const double odds_ratio : {0.5, 2.0}) {
        const EventScores events{{0.02, 0.05, 0.1}, odds_ratio, 1.0};
        const double found = average_run_length(events, limit_for_run_length(events, 1000.0));
        EXPECT_GE(found, 1000.0 * (1.0 - 1e-9)) << "rounding";
        EXPECT_LE(found, 1020.0) << "a step of the run length of discrete scores";
    }
}

TEST(LimitForRunLength, IsNeverSoLowThatOneEventAloneSignals) {
    const EventScores rare{{1e-4}, 2.0, 1.0};
    const double limit = limit_for_run_length(rare, 100.0);
    EXPECT_TRUE(cusum({risk_adjusted_score(1e-4, true, 2.0)}, limit).signals.empty());
    EXPECT_GT(average_run_length(rare, limit), 10'000.0);
}

TEST(LimitForRunLength, KeepsFalseSignalsOfATwoSidedChartAsRareAsStated) {
    NormalScores scores;
    scores.winsor = 3.0;
    const double wanted = 200.0, limit = limit_for_run_length(scores, 2.0 * wanted);
    std::size_t signals = 0;
    constexpr std::size_t kValues = 400'000;
    std::vector<double> z(kValues);
    for (std::size_t i = 0; i < kValues; ++i) z[i] = std::clamp(CounterRandom(3, 1).normals(i)[0], -3.0, 3.0);
    for (const Direction direction : {Direction::up, Direction::down})
        signals += cusum(tabular_scores(z, 0.0, 0.5, direction), limit).signals.size();
    const double expected = static_cast<double>(kValues) / wanted;
    EXPECT_NEAR(static_cast<double>(signals), expected, 4.0 * std::sqrt(expected))
        << "four standard deviations of a count of rare signals";
}

TEST(Innovations, AreTheCholeskyResidualsOfTheStatedCovariance) {
    const std::vector<int> group = {0, 1, 0, 2, 1, 0, 0, 2};
    const SharedVariance shared{0.15, 0.25};
    const Eigen::Index n = static_cast<Eigen::Index>(group.size());
    std::vector<double> values(group.size());
    Eigen::MatrixXd covariance(n, n);
    for (Eigen::Index i = 0; i < n; ++i) {
        values[static_cast<std::size_t>(i)] = CounterRandom(5, 2).normals(static_cast<std::uint64_t>(i))[0];
        for (Eigen::Index j = 0; j < n; ++j) {
            const bool same = group[static_cast<std::size_t>(i)] == group[static_cast<std::size_t>(j)];
            covariance(i, j) = shared.all + (same ? shared.group : 0.0) + (i == j ? 0.6 : 0.0);
        }
    }
    const Eigen::LLT<Eigen::MatrixXd> root(covariance);
    const Eigen::VectorXd wanted = root.matrixL().solve(Eigen::Map<const Eigen::VectorXd>(values.data(), n));
    const Innovations found = innovations(values, group, shared);
    for (Eigen::Index i = 0; i < n; ++i) {
        EXPECT_NEAR(found.z[static_cast<std::size_t>(i)], wanted[i], 1e-12) << "the same algebra";
        EXPECT_NEAR(found.sd[static_cast<std::size_t>(i)], root.matrixLLT()(i, i), 1e-12);
    }
}

TEST(Innovations, OfIndependentValuesAreTheValues) {
    const std::vector<double> values = {0.3, -1.2, 2.5};
    const Innovations found = innovations(values, {0, 1, 0}, {});
    EXPECT_EQ(found.z, values);
    EXPECT_EQ(found.sd, (std::vector<double>{1.0, 1.0, 1.0}));
}

TEST(Innovations, ABlankTeachesNothing) {
    const SharedVariance shared{0.1, 0.2};
    const Innovations whole = innovations({1.0, 0.5}, {0, 0}, shared);
    const Innovations blank = innovations({1.0, kNan, 0.5}, {0, 0, 0}, shared);
    EXPECT_TRUE(std::isnan(blank.z[1]));
    EXPECT_DOUBLE_EQ(blank.expected[1], whole.expected[1]);
    EXPECT_DOUBLE_EQ(blank.z[2], whole.z[1]);
}

TEST(Innovations, LearnsAnOffsetOfAGroupAndLeavesOthersAlone) {
    std::vector<double> values(60, 1.0);
    std::vector<int> group(60, 0);
    values.push_back(0.0);
    group.push_back(1);
    const Innovations found = innovations(values, group, {0.0, 0.3});
    EXPECT_NEAR(found.expected[59], 59.0 * 0.3 / (0.7 + 59.0 * 0.3), 1e-12) << "the normal posterior mean";
    EXPECT_DOUBLE_EQ(found.expected[60], 0.0);
}

TEST(Innovations, RefusesWhatHasNoMeaning) {
    EXPECT_THROW(innovations({1.0}, {}, {}), InvalidArgument);
    EXPECT_THROW(innovations({1.0}, {-1}, {}), InvalidArgument);
    EXPECT_THROW(innovations({1.0}, {0}, {0.5, 0.5}), InvalidArgument);
    EXPECT_THROW(innovations({1.0}, {0}, {-0.1, 0.5}), InvalidArgument);
    EXPECT_THROW(innovations({1.0}, {0}, {kNan, 0.5}), InvalidArgument);
}

TEST(Innovations, KeepFalseSignalsAsRareAsStatedWhereTheRawValuesDoNot) {
    // Units whose surgeon's level the fit left uncertain: 30 % of the variance is common to all of a unit's cases.
    const double shared = 0.3, limit = limit_for_run_length(NormalScores{}, 200.0);
    constexpr std::size_t kUnits = 2000, kCases = 100;
    std::size_t raw = 0, whitened = 0;
    const std::vector<int> group(kCases, 0);
    for (std::size_t unit = 0; unit < kUnits; ++unit) {
        const CounterRandom random(9, unit);
        const double offset = std::sqrt(shared) * random.normals(1'000'000)[0];
        std::vector<double> values(kCases);
        for (std::size_t i = 0; i < kCases; ++i) values[i] = offset + std::sqrt(1.0 - shared) * random.normals(i)[0];
        const auto count = [&](const std::vector<double>& z) {
            return cusum(tabular_scores(z, 0.0, 0.5, Direction::up), limit).signals.size();
        };
        raw += count(values);
        whitened += count(innovations(values, group, {shared, 0.0}).z);
    }
    // From a start at 0 the first signal is a little later than the steady rate, hence "at most" on that side.
    const double expected = static_cast<double>(kUnits * kCases) / 200.0;
    EXPECT_LT(static_cast<double>(whitened), expected + 4.0 * std::sqrt(expected)) << "four SD of a count";
    EXPECT_GT(static_cast<double>(whitened), 0.9 * expected) << "each unit's first cases count less";
    EXPECT_GT(raw, 3 * whitened);
}

}  // namespace
}  // namespace lobetime
