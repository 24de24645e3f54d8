#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/inference/regression_inference.hpp>

#include "eigen_matchers.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <Eigen/LU>

#include <cmath>
#include <limits>
#include <numeric>

namespace lobetime {
namespace {

using lobetime::testing::EigenIdentical;
using lobetime::testing::EigenNear;
using ::testing::ElementsAre;
using ::testing::HasSubstr;

constexpr double kInfinite = std::numeric_limits<double>::infinity();
constexpr Eigen::Index kRows = 60;

struct Saturation {
    static constexpr int parameters = 2;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] * (1.0 - exp(-b[1] * x[0]));
    }
};
struct Line {
    static constexpr int parameters = 2;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] + b[1] * x[0];
    }
};

Eigen::MatrixXd predictor() { return Eigen::VectorXd::LinSpaced(kRows, 0.2, 6.0); }

/// Saturation 10, rate 0.7, noise that grows with x; every twelfth row far off when `outliers`.
Eigen::VectorXd response(bool outliers) {
    const Eigen::MatrixXd x = predictor();
    const CounterRandom random(21, 22);
    Eigen::VectorXd y(kRows);
    for (Eigen::Index i = 0; i < kRows; ++i) {
        y[i] = 10.0 * (1.0 - std::exp(-0.7 * x(i, 0))) +
               (0.2 + 0.1 * x(i, 0)) * random.normals(static_cast<std::uint64_t>(i))[0];
        if (outliers && i % 12 == 5) y[i] += 8.0;
    }
    return y;
}

RegressionOptions m_estimate(const char* loss, ScaleMethod method, double scale = 0.5) {
    RegressionOptions options;
    options.estimator = Estimator::m;
    options.loss = Loss(loss);
    options.scale_method = method;
    options.scale = scale;
    return options;
}

template <typename Formula>
RobustRegression regression(const Formula& formula, const RegressionOptions& options, bool outliers = true) {
    return {mean_model(formula, predictor()), response(outliers), {"top", "rate"}, options};
}

const Eigen::VectorXd kUnbound = Eigen::VectorXd::Constant(2, kInfinite);

RegressionFit fit(const RobustRegression& one) { return one.fit(Eigen::Vector2d(8.0, 0.5), -kUnbound, kUnbound); }

class EveryLossInference : public ::testing::TestWithParam<std::string> {};

TEST_P(EveryLossInference, LeveragesSumToTheNumberOfParameters) {
    const RegressionFit found = fit(regression(Saturation{}, m_estimate(GetParam().c_str(), ScaleMethod::fixed)));
    const Eigen::VectorXd all = leverages(found);
    EXPECT_NEAR(all.sum(), 2.0, 1e-12);
    EXPECT_GE(all.minCoeff(), 0.0);
    EXPECT_LT(all.maxCoeff(), 1.0);
}

TEST_P(EveryLossInference, InfluenceIsTheDerivativeInTheWeightOfARow) {
    const RobustRegression one = regression(Line{}, m_estimate(GetParam().c_str(), ScaleMethod::fixed, 2.5));
    const RegressionFit found = fit(one);
    const Eigen::MatrixXd influence = regression_influence(found);
    constexpr int kWeight = 1000;  // of all rows; one more of one row is a weight of 1.001
    const double size = influence.cwiseAbs().maxCoeff();
    std::vector<int> counts(kRows, kWeight);
    const Eigen::VectorXd base = one.refit(found, counts);
    for (const std::size_t row : {std::size_t{0}, std::size_t{5}, std::size_t{30}, std::size_t{59}}) {
        ++counts[row];
        const Eigen::VectorXd moved = (one.refit(found, counts) - base) * kWeight;
        --counts[row];
        // The second order of a weight of 1e-3, and rows that cross a corner of the loss on the way.
        EXPECT_THAT(moved, EigenNear(Eigen::VectorXd(influence.row(static_cast<Eigen::Index>(row)).transpose()),
                                     3e-3 * size, 0.0))
            << row;
    }
}

TEST_P(EveryLossInference, TheCurvatureIsThatOfTheObjective) {
    const RobustRegression one = regression(Saturation{}, m_estimate(GetParam().c_str(), ScaleMethod::mad));
    const RegressionFit found = fit(one);
    Evaluation evaluation;
    one.objective(found)->evaluate(found.theta, Curvature::signed_exact, evaluation);
    EXPECT_THAT(regression_curvature(found), EigenNear(evaluation.curvature, 0.0, 1e-12));
}

INSTANTIATE_TEST_SUITE_P(Losses, EveryLossInference, ::testing::ValuesIn(Loss::names()),
                         [](const auto& one) { return one.param; });

TEST(RegressionCovariance, OfSquaresIsThatOfTheTextbook) {
    const RegressionFit found = fit(regression(Saturation{}, m_estimate("squares", ScaleMethod::sd)));
    const Eigen::MatrixXd& j = found.jacobian;
    const Eigen::MatrixXd inverse = (j.transpose() * j).inverse();
    const Eigen::VectorXd& r = found.residuals;
    const Eigen::VectorXd rest = 1.0 - (j * inverse * j.transpose()).diagonal().array();
    const double n = kRows, p = 2.0;
    EXPECT_THAT(regression_covariance(found, CovarianceRule::model),
                EigenNear(Eigen::MatrixXd(r.squaredNorm() / (n - p) * inverse), 0.0, 1e-10));
    const auto sandwich = [&](const Eigen::VectorXd& weight) -> Eigen::MatrixXd {
        return inverse * j.transpose() * weight.asDiagonal() * j * inverse;
    };
    const Eigen::VectorXd squares = r.array().square();
    EXPECT_THAT(regression_covariance(found, CovarianceRule::hc0), EigenNear(sandwich(squares), 0.0, 1e-10));
    EXPECT_THAT(regression_covariance(found, CovarianceRule::hc1),
                EigenNear(sandwich(n / (n - p) * squares), 0.0, 1e-10));
    EXPECT_THAT(regression_covariance(found, CovarianceRule::hc2),
                EigenNear(sandwich(squares.cwiseQuotient(rest)), 0.0, 1e-10));
    EXPECT_THAT(regression_covariance(found, CovarianceRule::hc3),
                EigenNear(sandwich(squares.array() / rest.array().square()), 0.0, 1e-10));
}

TEST(RegressionCovariance, ARowThatIsAClusterOfItsOwnIsHc1) {
    const RegressionFit found = fit(regression(Saturation{}, m_estimate("bisquare", ScaleMethod::mad)));
    std::vector<int> own(kRows);
    std::iota(own.begin(), own.end(), 0);
    EXPECT_THAT(regression_covariance_clustered(found, own),
                EigenNear(regression_covariance(found, CovarianceRule::hc1), 0.0, 1e-12));
}

TEST(RegressionCovariance, ScoresOfAClusterAreSummed) {
    const RegressionFit found = fit(regression(Saturation{}, m_estimate("huber", ScaleMethod::mad)));
    std::vector<int> cluster(kRows);
    for (std::size_t i = 0; i < cluster.size(); ++i) cluster[i] = static_cast<int>(i % 7);
    const Eigen::MatrixXd influence = regression_influence(found);
    Eigen::MatrixXd sums = Eigen::MatrixXd::Zero(7, 2);
    for (std::size_t i = 0; i < cluster.size(); ++i)
        sums.row(cluster[i]) += influence.row(static_cast<Eigen::Index>(i));
    const Eigen::MatrixXd expected = 7.0 / 6.0 * 59.0 / 58.0 * sums.transpose() * sums;
    EXPECT_THAT(regression_covariance_clustered(found, cluster), EigenNear(expected, 0.0, 1e-12));
    // Numbers that no row has are no clusters.
    for (int& one : cluster) one *= 3;
    EXPECT_THAT(regression_covariance_clustered(found, cluster), EigenNear(expected, 0.0, 1e-12));
}

TEST(RegressionCovariance, RefusesClustersThatDoNotFit) {
    const RegressionFit found = fit(regression(Saturation{}, m_estimate("huber", ScaleMethod::mad)));
    EXPECT_THROW(regression_covariance_clustered(found, std::vector<int>(3, 0)), InvalidArgument);
    EXPECT_THROW(regression_covariance_clustered(found, std::vector<int>(kRows, 0)), Error);
    std::vector<int> negative(kRows, 0);
    negative[4] = -1;
    EXPECT_THROW(regression_covariance_clustered(found, negative), InvalidArgument);
}

TEST(RegressionCovariance, RefusesAParameterOnItsBoundByName) {
    const RobustRegression one = regression(Saturation{}, m_estimate("huber", ScaleMethod::mad));
    const RegressionFit found = one.fit(Eigen::Vector2d(8.0, 0.3), -kUnbound, Eigen::Vector2d(kInfinite, 0.4));
    ASSERT_THAT(found.minimum.on_bound, ElementsAre("rate"));
    EXPECT_THAT(found.warnings, ::testing::Contains(HasSubstr("rate")));
    try {
        regression_covariance(found, CovarianceRule::hc2);
        FAIL() << "accepted";
    } catch (const NotIdentifiable& error) {
        EXPECT_THAT(error.parameters(), ElementsAre("rate"));
        EXPECT_THAT(error.what(), HasSubstr("rate"));
    }
}

TEST(RegressionCovariance, KnowsItsRules) {
    EXPECT_EQ(covariance_rule_from_name("model"), CovarianceRule::model);
    EXPECT_EQ(covariance_rule_from_name("hc3"), CovarianceRule::hc3);
    try {
        covariance_rule_from_name("hc9");
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), ::testing::AllOf(HasSubstr("hc9"), HasSubstr("hc2")));
    }
}

TEST(RegressionIntervals, AProfileOfALineIsTheTInterval) {
    const RobustRegression one = regression(Line{}, m_estimate("squares", ScaleMethod::sd));
    const RegressionFit found = fit(one);
    RegressionIntervalOptions options;
    options.rule = CovarianceRule::model;
    const auto sandwich = regression_intervals(one, found, parameter_quantities(found), options);
    options.method = IntervalMethod::profile;
    const auto profile = regression_intervals(one, found, parameter_quantities(found), options);
    ASSERT_EQ(sandwich.size(), 2U);
    for (std::size_t j = 0; j < 2; ++j) {
        const Interval& wald = sandwich[j].interval;
        const double half = t_quantile(0.975, 58.0) * sandwich[j].standard_error;
        EXPECT_NEAR(wald.upper - wald.estimate, half, 1e-12 * half);
        EXPECT_NEAR(profile[j].interval.lower, wald.lower, 1e-8 * half);
        EXPECT_NEAR(profile[j].interval.upper, wald.upper, 1e-8 * half);
        EXPECT_EQ(profile[j].name, found.names[j]);
    }
}

TEST(RegressionIntervals, AProfileHasAnEndBeyondABoundOpen) {
    const RobustRegression one = regression(Saturation{}, m_estimate("huber", ScaleMethod::mad));
    const double rate = fit(one).theta[1];
    const RegressionFit found = one.fit(Eigen::Vector2d(8.0, 0.5), -kUnbound, Eigen::Vector2d(kInfinite, rate + 1e-3));
    ASSERT_TRUE(found.minimum.on_bound.empty());
    RegressionIntervalOptions options;
    options.method = IntervalMethod::profile;
    const auto intervals = regression_intervals(one, found, parameter_quantities(found), options);
    EXPECT_TRUE(intervals[1].interval.upper_open);
    EXPECT_TRUE(std::isnan(intervals[1].interval.upper));
    EXPECT_FALSE(intervals[1].interval.lower_open);
    EXPECT_THAT(intervals[1].reason, HasSubstr("bound"));
}

TEST(RegressionIntervals, ABootstrapIsTheSameAtAnyNumberOfThreads) {
    const RobustRegression one = regression(Saturation{}, m_estimate("bisquare", ScaleMethod::mad));
    const RegressionFit found = fit(one);
    RegressionIntervalOptions options;
    options.method = IntervalMethod::bootstrap;
    options.replicates.replicates = 200;
    std::vector<std::vector<RegressionInterval>> all;
    for (const int threads : {1, 2, 4}) {
        options.replicates.threads = threads;
        all.push_back(regression_intervals(one, found, parameter_quantities(found), options));
    }
    for (std::size_t k = 1; k < all.size(); ++k) {
        for (std::size_t j = 0; j < 2; ++j) {
            EXPECT_EQ(all[k][j].interval.lower, all[0][j].interval.lower);
            EXPECT_EQ(all[k][j].interval.upper, all[0][j].interval.upper);
            EXPECT_EQ(all[k][j].standard_error, all[0][j].standard_error);
        }
    }
    EXPECT_LT(all[0][1].interval.lower, found.theta[1]);
    EXPECT_GT(all[0][1].interval.upper, found.theta[1]);
}

TEST(RegressionIntervals, RefusesALevelThatIsNone) {
    const RobustRegression one = regression(Line{}, m_estimate("squares", ScaleMethod::sd));
    const RegressionFit found = fit(one);
    RegressionIntervalOptions options;
    for (const double level : {0.0, 1.0, -0.5, std::nan("")}) {
        options.level = level;
        EXPECT_THROW(regression_intervals(one, found, parameter_quantities(found), options), InvalidArgument);
    }
}

TEST(TQuantile, IsTheTablesOwn) {
    EXPECT_NEAR(t_quantile(0.975, 10.0), 2.2281388519862742, 1e-13);  // R 4.2: qt(0.975, 10)
    EXPECT_NEAR(t_quantile(0.5, 3.0), 0.0, 1e-15);
    EXPECT_THROW(t_quantile(1.0, 10.0), InvalidArgument);
    EXPECT_THROW(t_quantile(0.5, 0.0), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
