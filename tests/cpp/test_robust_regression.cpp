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

using lobetime::testing::EigenIdentical;
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

// ------------------------------------------------------------------------------------------ search, S and MM

struct TwoDecays {
    static constexpr int parameters = 4;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] * exp(-b[1] * x[0]) + b[2] * exp(-b[3] * x[0]);
    }
};
const std::vector<std::string> kDecays = {"high", "fast", "low", "slow"};
const Eigen::VectorXd kFrom = Eigen::Vector4d(5.0, 3.0, 5.0, 0.3);
// Bounds part the two decays, which could else change places.
const Eigen::VectorXd kLowest = Eigen::Vector4d(0.0, 1.0, 0.0, 0.0);
const Eigen::VectorXd kHighest = Eigen::Vector4d(kInfinite, kInfinite, kInfinite, 1.0);

/// Two decays, every fourth row gross. A third as many points leave minima that are level to 1.5 % and the search the
/// choice of its starts.
constexpr Eigen::Index kDecayRows = 240;
RobustRegression decays(const RegressionOptions& options) {
    const Eigen::MatrixXd x = Eigen::VectorXd::LinSpaced(kDecayRows, 0.0, 8.0);
    Eigen::VectorXd y(kDecayRows);
    const CounterRandom random(31, 32);
    for (Eigen::Index i = 0; i < kDecayRows; ++i) {
        y[i] = 9.0 * std::exp(-2.0 * x(i, 0)) + 4.0 * std::exp(-0.25 * x(i, 0)) +
               0.05 * random.normals(static_cast<std::uint64_t>(i))[0];
        if (i % 4 == 2) y[i] += 3.0;
    }
    return {mean_model(TwoDecays{}, x), y, kDecays, options};
}

RegressionFit search(const RegressionOptions& options) { return decays(options).fit(kFrom, kLowest, kHighest); }

TEST(RobustRegressionSearch, IsTheSameAtAnyNumberOfThreads) {
    RegressionOptions options;
    options.starts = 40;
    options.threads = 1;
    const RegressionFit one = search(options);
    for (const int threads : {2, 4}) {
        options.threads = threads;
        const RegressionFit many = search(options);
        EXPECT_THAT(many.theta, EigenIdentical(one.theta));
        EXPECT_THAT(many.weights, EigenIdentical(one.weights));
        EXPECT_EQ(many.scale, one.scale);
        EXPECT_EQ(many.cost, one.cost);
        ASSERT_EQ(many.search.minima.size(), one.search.minima.size());
        for (std::size_t k = 0; k < one.search.minima.size(); ++k) {
            EXPECT_THAT(many.search.minima[k].theta, EigenIdentical(one.search.minima[k].theta));
            EXPECT_EQ(many.search.minima[k].count, one.search.minima[k].count);
            EXPECT_EQ(many.search.minima[k].first_start, one.search.minima[k].first_start);
        }
    }
}

TEST(RobustRegressionSearch, FindsTheCurveAmongAQuarterOfGrossRows) {
    const RegressionFit found = search({});
    // Standard errors of least squares without the gross rows: 0.04, 0.02, 0.03 and 0.002.
    EXPECT_THAT(found.theta, EigenNear(Eigen::VectorXd(Eigen::Vector4d(9.0, 2.0, 4.0, 0.25)), 0.0, 0.06));
    for (Eigen::Index i = 2; i < kDecayRows; i += 4) EXPECT_EQ(found.weights[i], 0.0) << i;
}

TEST(RobustRegressionSearch, ReportsItself) {
    RegressionOptions options;
    options.starts = 60;
    options.polished = 6;
    const RegressionFit found = search(options);
    EXPECT_EQ(found.search.starts, 60);
    EXPECT_LE(found.search.polished, 6);
    int count = 0;
    double last = 0.0;
    for (const FoundMinimum& one : found.search.minima) {
        count += one.count;
        EXPECT_GE(one.scale, last * (1.0 - 1e-6));
        last = one.scale;
        EXPECT_GE(one.first_start, 0);
        EXPECT_LT(one.first_start, 60);
    }
    EXPECT_EQ(count, found.search.polished);
    EXPECT_NEAR(found.search.minima[0].scale, found.scale, 1e-9 * found.scale);
}

TEST(RobustRegressionSearch, OtherStartsFindTheSame) {
    const RegressionFit one = search({});
    for (const std::uint64_t seed : {2U, 3U}) {
        RegressionOptions options;
        options.seed = seed;
        EXPECT_THAT(search(options).theta, EigenNear(one.theta, 0.0, 1e-6));
    }
}

TEST(RobustRegressionSearch, SIsTheLeastScaleAndMmKeepsIt) {
    RegressionOptions options;
    options.estimator = Estimator::s;
    const RegressionFit s = search(options);
    const RegressionFit mm = search({});
    EXPECT_EQ(s.scale, mm.scale);
    EXPECT_THAT(s.s_theta, EigenNear(mm.s_theta, 0.0, 0.0));
    const std::vector<double> r(s.residuals.begin(), s.residuals.end());
    EXPECT_NEAR(robust_scale(r, ScaleMethod::m_scale, 4.0), s.scale, 1e-9 * s.scale);
    const RobustRegression regression = decays(options);
    // No step in any direction lowers it.
    for (Eigen::Index j = 0; j < 4; ++j) {
        for (const double step : {-0.02, 0.02}) {
            Eigen::VectorXd theta = s.theta, fitted;
            theta[j] *= 1.0 + step;
            Eigen::MatrixXd jacobian;
            regression.mean().evaluate(theta, fitted, jacobian);
            const Eigen::VectorXd moved = regression.y() - fitted;
            EXPECT_GT(robust_scale({moved.data(), kDecayRows}, ScaleMethod::m_scale, 4.0), s.scale);
        }
    }
    EXPECT_GT((s.theta - mm.theta).norm(), 1e-4);
}

TEST(RobustRegressionSearch, AMeanWithoutSubsetsIsTheSame) {
    const RobustRegression with_subsets = decays({});
    MeanModel plain = with_subsets.mean();
    plain.subset = nullptr;
    const RobustRegression without(plain, with_subsets.y(), kDecays);
    const RegressionFit found = without.fit(kFrom, kLowest, kHighest);
    EXPECT_THAT(found.theta, EigenIdentical(search({}).theta));
}

TEST(RobustRegressionSearch, CountsStartsThatCannotBeEvaluated) {
    RegressionOptions options;
    options.starts = 40;
    const RobustRegression regression = decays(options);
    MeanModel picky = regression.mean();
    picky.subset = nullptr;
    picky.evaluate = [all = regression.mean().evaluate](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted,
                                                        Eigen::MatrixXd& jacobian) {
        all(theta, fitted, jacobian);
        if (theta[0] > 30.0) fitted.setConstant(std::nan(""));
    };
    const RegressionFit found = RobustRegression(picky, regression.y(), kDecays, options).fit(kFrom, kLowest, kHighest);
    EXPECT_GT(found.search.failed, 0);
    EXPECT_LT(found.search.failed, 40);
    EXPECT_NEAR(found.theta[1], 2.0, 0.2);
}

TEST(RobustRegressionSearch, StopsWhenAskedTo) {
    RegressionOptions options;
    options.threads = 1;
    int asked = 0;
    options.solver.interrupt = [&asked] { return ++asked > 25; };
    EXPECT_THROW(search(options), NotConverged);
}

// ------------------------------------------------------------------------------------------------------- refits

TEST(RobustRegressionRefit, WithEveryRowOnceIsTheFit) {
    for (const char* loss : {"squares", "huber", "bisquare"}) {
        const Line data = line(4);
        const RobustRegression regression(mean_of(data), data.y, kNames, with(loss, ScaleMethod::mad));
        const RegressionFit found = regression.fit(Eigen::Vector2d(2.0, 0.5), Eigen::Vector2d::Constant(-kInfinite),
                                                   Eigen::Vector2d::Constant(kInfinite));
        // Replicates settle to 1e-7.
        EXPECT_THAT(regression.refit(found, std::vector<int>(40, 1)), EigenNear(found.theta, 0.0, 1e-6)) << loss;
        // The MAD and the equations do not change when every row is there twice.
        EXPECT_THAT(regression.refit(found, std::vector<int>(40, 2)), EigenNear(found.theta, 0.0, 1e-6)) << loss;
    }
}

TEST(RobustRegressionRefit, OfMmWithEveryRowOnceIsTheFit) {
    const RobustRegression regression = decays({});
    const RegressionFit found = search({});
    EXPECT_THAT(regression.refit(found, std::vector<int>(kDecayRows, 1)), EigenNear(found.theta, 0.0, 1e-6));
}

TEST(RobustRegressionRefit, CountsRowsAsOftenAsTheyAreThere) {
    const Line data = line(4);
    const RobustRegression regression(mean_of(data), data.y, kNames, with("huber", ScaleMethod::mad));
    const Eigen::Vector2d none = Eigen::Vector2d::Constant(kInfinite), start(2.0, 0.5);
    std::vector<int> counts(40);
    Line again{Eigen::MatrixXd(0, 2), Eigen::VectorXd(0), {}};
    std::vector<int> rows;
    for (int i = 0; i < 40; ++i) {
        counts[static_cast<std::size_t>(i)] = (i * 7) % 4;
        rows.insert(rows.end(), static_cast<std::size_t>((i * 7) % 4), i);
    }
    again.x = data.x(rows, Eigen::all);
    again.y = data.y(rows);
    again.mean = [x = again.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
        fitted = x * theta;
        jacobian = x;
    };
    const Eigen::VectorXd written_out = fit(again, with("huber", ScaleMethod::mad), start).theta;
    const Eigen::VectorXd counted = regression.refit(regression.fit(start, -none, none), counts);
    EXPECT_THAT(counted, EigenNear(written_out, 0.0, 1e-6));
}

TEST(RobustRegressionRefit, RefusesRowsThatCannotTell) {
    const Line data = line();
    const RobustRegression regression(mean_of(data), data.y, kNames, with("huber", ScaleMethod::fixed, 0.3));
    const RegressionFit found = fit(data, with("huber", ScaleMethod::fixed, 0.3));
    std::vector<int> one_row(40, 0);
    one_row[3] = 40;
    EXPECT_THROW(regression.refit(found, one_row), NotIdentifiable);
    EXPECT_THROW(regression.refit(found, std::vector<int>(39, 1)), InvalidArgument);
}

// ------------------------------------------------------------------------------------------------------ options

TEST(RobustRegressionOptions, AreCheckedByName) {
    const auto message = [](const auto& change) {
        RegressionOptions options;
        change(options);
        try {
            options.check();
        } catch (const InvalidArgument& error) {
            return std::string(error.what());
        }
        return std::string("accepted");
    };
    EXPECT_EQ(message([](auto&) {}), "accepted");
    EXPECT_THAT(message([](auto& o) { o.loss = Loss("huber"); }), HasSubstr("huber"));
    EXPECT_THAT(message([](auto& o) { o.s_tuning = 0.0; }), HasSubstr("s_tuning"));
    EXPECT_THAT(message([](auto& o) { o.starts = -1; }), HasSubstr("starts"));
    EXPECT_THAT(message([](auto& o) { o.polished = 0; }), HasSubstr("polished"));
    EXPECT_THAT(message([](auto& o) { o.threads = -1; }), HasSubstr("threads"));
    EXPECT_THAT(message([](auto& o) { o.max_scale_rounds = 0; }), HasSubstr("max_scale_rounds"));
    EXPECT_THAT(message([](auto& o) { o.scale_tolerance = 0.0; }), HasSubstr("scale_tolerance"));
    EXPECT_THAT(message([](auto& o) { o.solver.max_iterations = 0; }), HasSubstr("max_iterations"));
}

TEST(RobustRegressionOptions, EstimatorsHaveNames) {
    for (const char* name : {"m", "s", "mm"}) EXPECT_EQ(estimator_name(estimator_from_name(name)), name);
    try {
        estimator_from_name("tau");
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), ::testing::AllOf(HasSubstr("tau"), HasSubstr("m, s, mm")));
    }
}

TEST(RobustRegressionOptions, SAndMmNeedOneRowMore) {
    Line data = line();
    data.x.conservativeResize(2, 2);
    data.y.conservativeResize(2);
    data.mean = [x = data.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
        fitted = x * theta;
        jacobian = x;
    };
    try {
        fit(data, {});
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), HasSubstr("at least 3"));
    }
}

}  // namespace
}  // namespace lobetime
