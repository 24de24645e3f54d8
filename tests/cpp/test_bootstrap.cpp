#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/inference/bootstrap.hpp>

#include "eigen_matchers.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <atomic>
#include <chrono>
#include <cmath>
#include <mutex>
#include <numeric>
#include <set>
#include <thread>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::HasSubstr;

// Survival days of mice: Efron and Tibshirani, An Introduction to the Bootstrap, 1993, table 2.1.
const std::vector<double> kTreatment = {94, 197, 16, 38, 99, 141, 23};
const std::vector<double> kControl = {52, 104, 146, 10, 50, 31, 40, 27, 46};

double median_of(const std::vector<double>& values, std::span<const int> counts) {
    std::vector<double> all;
    for (std::size_t i = 0; i < values.size(); ++i)
        all.insert(all.end(), static_cast<std::size_t>(counts[i]), values[i]);
    std::sort(all.begin(), all.end());
    return all[all.size() / 2];
}

/// Chance that the median of an odd sample's resample is its k-th smallest value.
std::vector<double> chances_of_median(std::size_t n) {
    const auto at_most = [&](std::size_t k) {  // at least (n + 1) / 2 of the n draws are among the k smallest
        const double p = static_cast<double>(k) / static_cast<double>(n);
        double sum = 0.0;
        for (std::size_t j = (n + 1) / 2; j <= n; ++j) {
            sum += std::exp(std::lgamma(static_cast<double>(n) + 1.0) - std::lgamma(static_cast<double>(j) + 1.0) -
                            std::lgamma(static_cast<double>(n - j) + 1.0)) *
                   std::pow(p, static_cast<double>(j)) * std::pow(1.0 - p, static_cast<double>(n - j));
        }
        return sum;
    };
    std::vector<double> chances;
    for (std::size_t k = 1; k <= n; ++k) chances.push_back(at_most(k) - at_most(k - 1));
    return chances;
}

struct Moments {
    double mean, sd, fourth;  ///< about the mean
};

Moments moments_of(const std::vector<double>& values, const std::vector<double>& chances) {
    Moments m{0.0, 0.0, 0.0};
    for (std::size_t k = 0; k < values.size(); ++k) m.mean += chances[k] * values[k];
    for (std::size_t k = 0; k < values.size(); ++k) {
        const double square = std::pow(values[k] - m.mean, 2);
        m.sd += chances[k] * square;
        m.fourth += chances[k] * square * square;
    }
    m.sd = std::sqrt(m.sd);
    return m;
}

Replicates medians(const std::vector<double>& values, const ReplicateOptions& options) {
    return bootstrap(
        values.size(),
        [&](std::span<const int> counts, std::uint64_t, const std::function<bool()>&) {
            return Eigen::VectorXd::Constant(1, median_of(values, counts)).eval();
        },
        options);
}

TEST(Bootstrap, OfTheMedianIsTheIdealOneWithinMonteCarloError) {
    // Ideal bootstrap (all resamples): closed form, computed independently with scipy; the treatment's standard error
    // is the 37.83 of Efron and Tibshirani, 1993.
    struct Case {
        const std::vector<double>* values;
        double mean, error;
    };
    for (const Case& one : {Case{&kTreatment, 79.72884476, 37.83467439}, Case{&kControl, 45.74921513, 12.86086287}}) {
        std::vector<double> sorted = *one.values;
        std::sort(sorted.begin(), sorted.end());
        const Moments ideal = moments_of(sorted, chances_of_median(sorted.size()));
        ASSERT_NEAR(ideal.mean, one.mean, 1e-8);  // printed to 8 decimals
        ASSERT_NEAR(ideal.sd, one.error, 1e-8);
        ReplicateOptions options;
        options.replicates = 40000;
        const Eigen::VectorXd values = medians(*one.values, options).theta.col(0);
        const double mean = values.mean(), error = std::sqrt((values.array() - mean).square().mean());
        // Monte Carlo: the mean has standard error sd / sqrt(B), the standard deviation
        // sqrt(m4 - sd^4) / (2 sd sqrt(B)); four of each pass by chance in all but 1 of 16,000 seeds.
        const double root = std::sqrt(static_cast<double>(options.replicates));
        EXPECT_NEAR(mean, ideal.mean, 4.0 * ideal.sd / root);
        EXPECT_NEAR(error, ideal.sd, 4.0 * std::sqrt(ideal.fourth - std::pow(ideal.sd, 4)) / (2.0 * ideal.sd * root));
    }
}

TEST(Bootstrap, OfTheMeanHasTheVarianceWithoutBesselsCorrection) {
    // Treatment mean, infinitely many replicates: sqrt(sum (x - mean)^2) / n = 23.36352344.
    ReplicateOptions options;
    options.replicates = 40000;
    const Replicates replicates = bootstrap(
        kTreatment.size(),
        [](std::span<const int> counts, std::uint64_t, const std::function<bool()>&) {
            const double sum = std::inner_product(counts.begin(), counts.end(), kTreatment.begin(), 0.0, std::plus<>(),
                                                  [](int count, double value) { return count * value; });
            return Eigen::VectorXd::Constant(1, sum / static_cast<double>(kTreatment.size())).eval();
        },
        options);
    const double mean = replicates.theta.mean(), error = std::sqrt((replicates.theta.array() - mean).square().mean());
    // Nearly normal: standard error of a standard deviation sd / sqrt(2 B), four of them.
    EXPECT_NEAR(error, 23.36352344, 4.0 * 23.36352344 / std::sqrt(2.0 * options.replicates));
}

TEST(ResampleCounts, DependOnSeedAndReplicateAlone) {
    for (const std::size_t units : {2U, 3U, 4U, 5U, 100U, 1001U}) {
        const std::vector<int> counts = resample_counts(units, 7, 3);
        ASSERT_EQ(counts.size(), units);
        EXPECT_EQ(std::accumulate(counts.begin(), counts.end(), 0), static_cast<int>(units));
        EXPECT_GE(*std::min_element(counts.begin(), counts.end()), 0);
        EXPECT_EQ(counts, resample_counts(units, 7, 3));
    }
    EXPECT_NE(resample_counts(100, 7, 3), resample_counts(100, 7, 4));
    EXPECT_NE(resample_counts(100, 7, 3), resample_counts(100, 8, 3));
}

TEST(ResampleCounts, DrawEveryUnitAlike) {
    // 4000 replicates of 11 draws of 11 units: each is drawn 4000 times on average with variance 4000 x 10/11.
    constexpr int kReplicates = 4000;
    std::array<double, 11> drawn{};
    for (std::uint64_t r = 0; r < kReplicates; ++r) {
        const std::vector<int> counts = resample_counts(11, 1, r);
        for (std::size_t i = 0; i < 11; ++i) drawn[i] += counts[i];
    }
    double chi_square = 0.0;
    for (const double d : drawn) chi_square += std::pow(d - kReplicates, 2) / kReplicates;
    EXPECT_LT(chi_square, 29.6);  // upper 0.1 % of chi-square with 10 degrees of freedom
}

TEST(Bootstrap, IsTheSameAtAnyThreadCount) {
    ReplicateOptions options;
    options.replicates = 500;
    options.threads = 1;
    const Eigen::MatrixXd one = medians(kControl, options).theta;
    for (const int threads : {2, 4, 0}) {
        options.threads = threads;
        EXPECT_THAT(medians(kControl, options).theta, EigenNear(one, 0.0, 0.0)) << threads;
    }
    options.seed = 2;
    EXPECT_NE((medians(kControl, options).theta - one).norm(), 0.0);
}

TEST(Bootstrap, PartsOneAfterTheOtherAreTheWhole) {
    const Refit total = [](std::span<const int> counts, std::uint64_t replicate, const std::function<bool()>&) {
        if (replicate == 7) throw NotIdentifiable("none", {});
        double sum = static_cast<double>(replicate);
        for (std::size_t i = 0; i < counts.size(); ++i) sum += static_cast<double>(i) * counts[i] / 1000.0;
        return Eigen::VectorXd(Eigen::VectorXd::Constant(1, sum));
    };
    ReplicateOptions options;
    options.replicates = 23;
    options.seed = 5;
    const Replicates whole = bootstrap(11, total, options);
    ASSERT_EQ(whole.failures, std::vector<std::string>{"replicate 7: none"});
    for (const int cut : {1, 7, 8, 22}) {
        options.first = 0;
        options.replicates = cut;
        const Replicates head = bootstrap_part(11, total, options);
        options.first = static_cast<std::uint64_t>(cut);
        options.replicates = 23 - cut;
        const Replicates tail = bootstrap_part(11, total, options);
        Eigen::MatrixXd joined(head.theta.rows() + tail.theta.rows(), 1);
        joined << head.theta, tail.theta;
        EXPECT_THAT(joined, EigenNear(whole.theta, 0.0, 0.0)) << cut;
        EXPECT_EQ(cut > 7 ? head.failures : tail.failures, whole.failures) << cut;
    }
    options.replicates = 0;
    EXPECT_THROW(bootstrap_part(11, total, options), InvalidArgument);
}

TEST(Bootstrap, JudgesFailuresOnTheWhole) {
    Replicates few;
    few.asked = 20;
    few.failures = {"a", "b"};
    EXPECT_NO_THROW(check_failures(few));
    few.failures.push_back("c");
    EXPECT_THROW(check_failures(few), NotConverged);
}

TEST(Bootstrap, KeepsTheReasonsOfFailedReplicates) {
    ReplicateOptions options;
    options.replicates = 200;
    const auto failing = [&](std::uint64_t every) {
        return bootstrap(
            5,
            [every](std::span<const int>, std::uint64_t replicate, const std::function<bool()>&) {
                if (replicate % every == 3) throw NotIdentifiable("no surgeon left", {});
                const double value = replicate % every == 4 ? std::nan("") : static_cast<double>(replicate);
                return Eigen::VectorXd::Constant(2, value).eval();
            },
            options);
    };
    const Replicates some = failing(40);  // 3, 43, 83, 123, 163 fail, 4, 44, 84, 124, 164 are not finite
    EXPECT_EQ(some.asked, 200);
    ASSERT_EQ(some.failures.size(), 10U);
    EXPECT_EQ(some.failures[0], "replicate 3: no surgeon left");
    EXPECT_EQ(some.failures[1], "replicate 4: the estimate is not finite");
    ASSERT_EQ(some.theta.rows(), 190);
    EXPECT_EQ(some.theta(2, 0), 2.0);
    EXPECT_EQ(some.theta(3, 0), 5.0) << "in order of their index";
    try {
        failing(10);
        FAIL() << "a fifth failed";
    } catch (const NotConverged& error) {
        EXPECT_THAT(error.what(), HasSubstr("40 of 200 replicates have no estimate"));
        EXPECT_THAT(error.what(), HasSubstr("no surgeon left"));
    }
}

/// A refit that takes ten minutes unless it is interrupted.
Eigen::VectorXd endless(std::span<const int>, std::uint64_t, const std::function<bool()>& interrupt) {
    for (int step = 0; step < 60000; ++step) {
        if (interrupt()) throw NotConverged("interrupted");
        std::this_thread::sleep_for(std::chrono::milliseconds(10));
    }
    return Eigen::VectorXd::Zero(1);
}

TEST(Bootstrap, StopsInTheMiddleOfAReplicate) {
    for (const int threads : {1, 3}) {
        ReplicateOptions options;
        options.threads = threads;
        std::atomic<int> asked{0};
        options.progress = [&](int, int) { return ++asked < 2; };
        try {
            bootstrap(10, endless, options);
            FAIL() << "not stopped";
        } catch (const NotConverged& error) {
            EXPECT_THAT(error.what(), HasSubstr("stopped after"));
        }
        EXPECT_EQ(asked, 2);
        // What progress throws (an interrupt from the keyboard) comes through.
        options.progress = [](int, int) -> bool { throw std::domain_error("from the keyboard"); };
        EXPECT_THROW(bootstrap(10, endless, options), std::domain_error);
    }
}

TEST(Bootstrap, TellsItsProgressFromTheCallingThread) {
    ReplicateOptions options;
    options.replicates = 60;
    options.threads = 3;
    std::set<std::thread::id> askers;
    std::vector<int> seen;
    options.progress = [&](int done, int total) {
        EXPECT_EQ(total, 60);
        askers.insert(std::this_thread::get_id());
        seen.push_back(done);
        return true;
    };
    bootstrap(
        5,
        [](std::span<const int>, std::uint64_t, const std::function<bool()>&) {
            std::this_thread::sleep_for(std::chrono::milliseconds(20));
            return Eigen::VectorXd::Zero(1).eval();
        },
        options);
    EXPECT_EQ(askers, std::set<std::thread::id>{std::this_thread::get_id()});
    EXPECT_TRUE(std::is_sorted(seen.begin(), seen.end()));
    EXPECT_EQ(seen.back(), 60);
}

TEST(Bootstrap, RefusesWhatItCannotDo) {
    ReplicateOptions options;
    EXPECT_THROW(bootstrap(1, endless, options), InvalidArgument);
    options.replicates = 1;
    EXPECT_THROW(bootstrap(5, endless, options), InvalidArgument);
    options = {};
    options.threads = -1;
    EXPECT_THROW(bootstrap(5, endless, options), InvalidArgument);
}

std::vector<double> one_to(int n) {
    std::vector<double> values(static_cast<std::size_t>(n));
    std::iota(values.begin(), values.end(), 1.0);
    return values;
}

TEST(PercentileInterval, IsTheQuantileOfTypeSix) {
    // On 1 ... n the quantile of type 6 at p is p (n + 1).
    std::vector<double> values = one_to(999);
    std::reverse(values.begin(), values.end());
    const Ends ends = percentile_interval(values, 0.95);
    EXPECT_NEAR(ends.lower, 25.0, 1e-9);  // rounding of 0.95
    EXPECT_NEAR(ends.upper, 975.0, 1e-9);
    const Ends between = percentile_interval(one_to(100), 0.9);
    EXPECT_NEAR(between.lower, 5.05, 1e-12);
    EXPECT_NEAR(between.upper, 95.95, 1e-12);
    const Ends outermost = percentile_interval(one_to(39), 0.95);
    EXPECT_NEAR(outermost.lower, 1.0, 1e-9);
    EXPECT_NEAR(outermost.upper, 39.0, 1e-9);
}

TEST(PercentileInterval, RefusesTooFewValuesForTheLevel) {
    for (const auto& run :
         {+[](std::span<const double> v, double level) { return percentile_interval(v, level); },
          +[](std::span<const double> v, double level) { return bca_interval(v, 5.0, 0.0, level); }}) {
        try {
            run(one_to(38), 0.95);
            FAIL() << "38 values have no 2.5 % quantile";
        } catch (const InvalidArgument& error) {
            EXPECT_THAT(error.what(), HasSubstr("at least 39 replicates, not 38"));
        }
        for (const double level : {0.0, 1.0, -1.0, 95.0, std::nan("")})
            EXPECT_THROW(run(one_to(100), level), InvalidArgument);
        std::vector<double> holed = one_to(100);
        holed[50] = std::nan("");
        EXPECT_THROW(run(holed, 0.9), InvalidArgument);
    }
}

TEST(PercentileInterval, CarriesInfinities) {
    std::vector<double> values = one_to(99);
    values[97] = values[98] = std::numeric_limits<double>::infinity();
    EXPECT_EQ(percentile_interval(values, 0.97).upper, std::numeric_limits<double>::infinity());
    EXPECT_EQ(percentile_interval(values, 0.9).upper, 95.0);
}

TEST(BcaInterval, IsThePercentileIntervalWithoutBiasAndAcceleration) {
    const std::vector<double> values = one_to(999);
    const Ends plain = percentile_interval(values, 0.9), corrected = bca_interval(values, 500.0, 0.0, 0.9);
    EXPECT_NEAR(corrected.lower, plain.lower, 1e-9);
    EXPECT_NEAR(corrected.upper, plain.upper, 1e-9);
}

TEST(BcaInterval, IsItsFormula) {
    const std::vector<double> values = one_to(9999);
    for (const double acceleration : {-0.05, 0.0, 0.03}) {
        for (const double estimate : {4600.0, 5000.0, 5600.5}) {
            const double below = (estimate == 5600.5 ? 5600.0 : estimate - 0.5) / 9999.0;
            const double z0 = normal_quantile(below), z = normal_quantile(0.975);
            const auto at = [&](double tail) {
                return 10000.0 * normal_cdf(z0 + (z0 + tail) / (1.0 - acceleration * (z0 + tail)));
            };
            const Ends ends = bca_interval(values, estimate, acceleration, 0.95);
            EXPECT_NEAR(ends.lower, at(-z), 1e-8);
            EXPECT_NEAR(ends.upper, at(z), 1e-8);
        }
    }
}

TEST(BcaInterval, MovesBothEndsTowardsTheLongTail) {
    // The variance of 50 normal rows: biased downwards and skewed to the right.
    const std::size_t n = 50;
    const CounterRandom stream(1, 2);
    std::vector<double> rows(n);
    for (std::size_t i = 0; i < n; ++i) rows[i] = stream.normals(i)[0];
    const auto variance = [&](std::span<const int> counts) {
        double mean = 0.0, squares = 0.0;
        for (std::size_t i = 0; i < n; ++i) mean += counts[i] * rows[i] / static_cast<double>(n);
        for (std::size_t i = 0; i < n; ++i) squares += counts[i] * std::pow(rows[i] - mean, 2);
        return squares / static_cast<double>(n);
    };
    const std::vector<int> once(n, 1);
    const double estimate = variance(once);
    ReplicateOptions options;
    options.replicates = 19999;
    const Replicates replicates = bootstrap(
        n,
        [&](std::span<const int> counts, std::uint64_t, const std::function<bool()>&) {
            return Eigen::VectorXd::Constant(1, variance(counts)).eval();
        },
        options);
    const std::span<const double> values(replicates.theta.data(), static_cast<std::size_t>(replicates.theta.rows()));
    // Influence of a row on the variance, in closed form.
    double mean = 0.0;
    for (const double row : rows) mean += row / static_cast<double>(n);
    std::vector<double> influence(n);
    for (std::size_t i = 0; i < n; ++i) influence[i] = std::pow(rows[i] - mean, 2) - estimate;
    const Ends plain = percentile_interval(values, 0.9),
               corrected = bca_interval(values, estimate, acceleration_of(influence), 0.9);
    EXPECT_GT(corrected.lower, plain.lower);
    EXPECT_GT(corrected.upper, plain.upper);
    EXPECT_LT(corrected.lower, estimate);
}

TEST(BcaInterval, HasNoEndBeyondTheReplicates) {
    const std::vector<double> values = one_to(99);
    for (const double estimate : {0.5, 99.5}) {
        const Ends none = bca_interval(values, estimate, 0.0, 0.9);
        EXPECT_TRUE(std::isnan(none.lower) && std::isnan(none.upper)) << estimate;
    }
    const Ends half = bca_interval(values, 10.0, 0.0, 0.95);  // far below the middle: its lower level is 1e-5
    EXPECT_TRUE(std::isnan(half.lower));
    EXPECT_FALSE(std::isnan(half.upper));
    EXPECT_THROW(bca_interval(values, 50.0, std::nan(""), 0.9), InvalidArgument);
}

TEST(BcaInterval, CountsTiesHalf) {
    const std::vector<double> same(99, 4.0);
    const Ends ends = bca_interval(same, 4.0, 0.0, 0.95);
    EXPECT_EQ(ends.lower, 4.0);
    EXPECT_EQ(ends.upper, 4.0);
}

TEST(AccelerationOf, IsASixthOfTheSkewness) {
    const std::vector<double> influence = {-1.0, -0.5, 0.2, 1.3, -2.0, 4.0};
    double squares = 0.0, cubes = 0.0;
    for (const double l : influence) {
        squares += l * l;
        cubes += l * l * l;
    }
    EXPECT_NEAR(acceleration_of(influence), cubes / (6.0 * std::pow(squares, 1.5)), 1e-15);
    std::vector<double> large = influence;
    for (double& l : large) l *= 1e150;
    EXPECT_NEAR(acceleration_of(large), acceleration_of(influence), 1e-15) << "its unit does not matter";
    EXPECT_EQ(acceleration_of(std::vector<double>{0.0, 0.0}), 0.0);
    EXPECT_EQ(acceleration_of(std::vector<double>{-3.0, 3.0}), 0.0);
}

}  // namespace
}  // namespace lobetime
