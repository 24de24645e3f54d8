#include <lobetime/core/errors.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/robust_regression.hpp>

#include "eigen_matchers.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <Eigen/QR>

#include <cmath>
#include <limits>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::HasSubstr;

constexpr double kInfinite = std::numeric_limits<double>::infinity();
const std::vector<std::string> kNames = {"intercept", "slope"};

struct Line {
    Eigen::MatrixXd x;
    Eigen::VectorXd y;
    MeanFunction mean;
};

/// y = 2 + 0.5 x + noise on 40 points; `gross` of them far off.
Line line(int gross = 0, double noise = 0.3) {
    Line one{Eigen::MatrixXd(40, 2), Eigen::VectorXd(40), {}};
    const CounterRandom random(5, 6);
    for (Eigen::Index i = 0; i < 40; ++i) {
        one.x.row(i) << 1.0, 0.25 * static_cast<double>(i);
        one.y[i] = 2.0 + 0.5 * one.x(i, 1) + noise * random.normals(static_cast<std::uint64_t>(i))[0];
        if (i % 9 == 4 && gross-- > 0) one.y[i] += 60.0;
    }
    one.mean = [x = one.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
        fitted = x * theta;
        jacobian = x;
    };
    return one;
}

MeanModel mean_of(const Line& data) { return {data.y.size(), 2, data.mean, {}, true}; }

RegressionFit fit(const Line& data, const RegressionOptions& options, const Eigen::Vector2d& start = {0.0, 0.0}) {
    const RobustRegression regression(mean_of(data), data.y, kNames, options);
    return regression.fit(start, Eigen::Vector2d::Constant(-kInfinite), Eigen::Vector2d::Constant(kInfinite));
}

RegressionOptions with(const char* loss, ScaleMethod method, double scale = 1.0) {
    RegressionOptions options;
    options.estimator = Estimator::m;
    options.loss = Loss(loss);
    options.scale_method = method;
    options.scale = scale;
    return options;
}

TEST(RobustRegression, SquaresAreTheLinearSolution) {
    const Line data = line();
    const RegressionFit found = fit(data, with("squares", ScaleMethod::sd));
    const Eigen::VectorXd exact = data.x.colPivHouseholderQr().solve(data.y);
    EXPECT_THAT(found.theta, EigenNear(exact, 0.0, 1e-9));
    EXPECT_NEAR(found.scale, (data.y - data.x * exact).norm() / std::sqrt(38.0), 1e-10);
    EXPECT_THAT(found.residuals, EigenNear(Eigen::VectorXd(data.y - data.x * exact), 1e-8, 0.0));
    EXPECT_THAT(found.weights, EigenNear(Eigen::VectorXd(Eigen::VectorXd::Ones(40)), 0.0, 0.0));
}

class EveryLossFit : public ::testing::TestWithParam<std::string> {};

TEST_P(EveryLossFit, SolvesItsEstimatingEquations) {
    const Line data = line(GetParam() == "squares" ? 0 : 4);
    for (const ScaleMethod method :
         {ScaleMethod::mad, ScaleMethod::proposal2, ScaleMethod::m_scale, ScaleMethod::fixed}) {
        const RegressionOptions options = with(GetParam().c_str(), method, 0.4);
        const RegressionFit found = fit(data, options, {2.0, 0.5});
        Eigen::Vector2d score = Eigen::Vector2d::Zero();
        double cost = 0.0;
        for (Eigen::Index i = 0; i < data.y.size(); ++i) {
            const LossValue value = options.loss((data.y[i] - data.x.row(i) * found.theta) / found.scale);
            score += value.psi * data.x.row(i).transpose();
            cost += value.rho;
        }
        // Newton steps bring the score to rounding; what is left is the scale's last change of 1e-12.
        EXPECT_LT(score.cwiseAbs().maxCoeff(), 1e-7) << scale_method_name(method);
        EXPECT_NEAR(found.cost, cost, 1e-10 * cost);
        const std::vector<double> r(found.residuals.begin(), found.residuals.end());
        if (method == ScaleMethod::fixed) {
            EXPECT_EQ(found.scale, 0.4);
        } else {
            EXPECT_NEAR(robust_scale(r, method, 2.0), found.scale, 1e-9 * found.scale);
        }
    }
}

INSTANTIATE_TEST_SUITE_P(Losses, EveryLossFit, ::testing::ValuesIn(Loss::names()),
                         [](const auto& one) { return one.param; });

TEST(RobustRegression, GrossErrorsDoNotBendTheLine) {
    const RegressionFit clean = fit(line(0), with("bisquare", ScaleMethod::mad), {2.0, 0.5});
    const RegressionFit spoilt = fit(line(4), with("bisquare", ScaleMethod::mad), {2.0, 0.5});
    const RegressionFit squares = fit(line(4), with("squares", ScaleMethod::sd));
    EXPECT_NEAR(spoilt.theta[1], clean.theta[1], 0.03);
    EXPECT_NEAR(spoilt.theta[0], clean.theta[0], 0.15);
    EXPECT_GT(std::abs(squares.theta[0] - clean.theta[0]), 1.0);
    EXPECT_EQ(spoilt.weights[4], 0.0);
}

TEST(RobustRegression, GrowsWithTheUnitOfY) {
    Line data = line(3);
    const RegressionFit minutes = fit(data, with("huber", ScaleMethod::mad));
    data.y *= 60.0;
    const RegressionFit seconds = fit(data, with("huber", ScaleMethod::mad));
    EXPECT_THAT(seconds.theta, EigenNear(Eigen::VectorXd(60.0 * minutes.theta), 0.0, 1e-8));
    EXPECT_NEAR(seconds.scale, 60.0 * minutes.scale, 1e-8 * seconds.scale);
}

TEST(RobustRegression, FindsACurveItWasDrawnFrom) {
    // y = exp(m x + c), the form of Ceres's own curve-fitting example, on invented points.
    Eigen::VectorXd x = Eigen::VectorXd::LinSpaced(60, 0.0, 5.0), y(60);
    const CounterRandom random(8, 9);
    for (Eigen::Index i = 0; i < 60; ++i)
        y[i] = std::exp(0.3 * x[i] + 0.1) + 0.1 * random.normals(static_cast<std::uint64_t>(i))[0];
    y[10] = 50.0;
    y[40] = -50.0;
    const MeanFunction mean = [&x](const Eigen::VectorXd& t, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
        fitted = (t[0] * x.array() + t[1]).exp();
        jacobian.resize(x.size(), 2);
        jacobian.col(0) = fitted.cwiseProduct(x);
        jacobian.col(1) = fitted;
    };
    for (const char* loss : {"huber", "soft_l1", "cauchy", "bisquare"}) {
        const RegressionFit found =
            RobustRegression({60, 2, mean, {}, true}, y, {"m", "c"}, with(loss, ScaleMethod::mad))
                .fit(Eigen::Vector2d(0.28, 0.15), Eigen::Vector2d::Constant(-kInfinite),
                     Eigen::Vector2d::Constant(kInfinite));
        // Standard errors here are about 0.002 and 0.01; four of them.
        EXPECT_NEAR(found.theta[0], 0.3, 0.01) << loss;
        EXPECT_NEAR(found.theta[1], 0.1, 0.04) << loss;
    }
}

TEST(RobustRegression, StaysInsideBoundsAndSaysSo) {
    const Line data = line();
    const RegressionFit found =
        RobustRegression(mean_of(data), data.y, kNames, with("huber", ScaleMethod::fixed, 0.3))
            .fit(Eigen::Vector2d(0.0, 0.0), Eigen::Vector2d(-kInfinite, -1.0), Eigen::Vector2d(kInfinite, 0.4));
    EXPECT_NEAR(found.theta[1], 0.4, 1e-12);
    EXPECT_THAT(found.minimum.on_bound, ::testing::ElementsAre("slope"));
}

TEST(RobustRegression, NamesTheRowThatIsNotFinite) {
    Line data = line();
    const MeanFunction broken = [x = data.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted,
                                             Eigen::MatrixXd& j) {
        fitted = x * theta;
        j = x;
        j(17, 1) = std::nan("");
    };
    data.mean = broken;
    try {
        fit(data, with("huber", ScaleMethod::mad));
        FAIL() << "accepted";
    } catch (const NotFinite& error) {
        EXPECT_THAT(error.what(), HasSubstr("row 18"));
    }
    data = line();
    data.y[3] = std::nan("");
    EXPECT_THROW(fit(data, with("huber", ScaleMethod::mad)), NotFinite);
}

TEST(RobustRegression, NamesParametersThatCannotBeTold) {
    Line data = line();
    data.mean = [x = data.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& j) {
        fitted = x.col(0) * (theta[0] + theta[1]);
        j.resize(x.rows(), 2);
        j.col(0) = x.col(0);
        j.col(1) = x.col(0);
    };
    try {
        fit(data, with("huber", ScaleMethod::fixed, 1.0));
        FAIL() << "accepted";
    } catch (const NotIdentifiable& error) {
        EXPECT_THAT(error.parameters(), ::testing::UnorderedElementsAre("intercept", "slope"));
    }
}

TEST(RobustRegression, RefusesAnExactFit) {
    EXPECT_THROW(fit(line(0, 0.0), with("huber", ScaleMethod::mad), {2.0, 0.5}), NotIdentifiable);
}

TEST(RobustRegression, RefusesShapesThatDoNotFit) {
    const Line data = line();
    Line few = data;
    few.y.resize(1);
    few.y.setOnes();
    EXPECT_THROW(fit(few, with("huber", ScaleMethod::mad)), InvalidArgument);
    Line wrong = data;
    wrong.mean = [](const Eigen::VectorXd&, Eigen::VectorXd& fitted, Eigen::MatrixXd& j) {
        fitted.setZero(3);
        j.setZero(3, 2);
    };
    EXPECT_THROW(fit(wrong, with("huber", ScaleMethod::mad)), InvalidArgument);
    EXPECT_THROW(fit(data, with("huber", ScaleMethod::fixed, 0.0)), InvalidArgument);
    EXPECT_THROW(fit(data, with("huber", ScaleMethod::fixed, kInfinite)), InvalidArgument);
    EXPECT_THROW(RobustRegression(mean_of(data), data.y, {"only one"}, with("huber", ScaleMethod::mad)),
                 InvalidArgument);
}

TEST(RobustRegression, SaysWhenTheScaleDidNotSettle) {
    RegressionOptions options = with("huber", ScaleMethod::mad);
    options.max_scale_rounds = 1;
    EXPECT_THROW(fit(line(4), options), NotConverged);
}

}  // namespace
}  // namespace lobetime
