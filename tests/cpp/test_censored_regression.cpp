#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/censored_regression.hpp>
#include <lobetime/fit/robust_regression.hpp>

#include "eigen_matchers.hpp"

#include <ceres/jet.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <numbers>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::HasSubstr;

constexpr double kInfinite = std::numeric_limits<double>::infinity();

template <typename T>
T pdf(const T& z) {
    using std::exp;
    return exp(-0.5 * z * z) / std::sqrt(2.0 * std::numbers::pi);
}

/// log P(lower < y < upper) and its first derivatives in mean * scale and log scale, as written in the books.
template <typename T>
struct Between {
    T log_p, mean, log_scale;
    Between(double lower, double upper, const T& mu, const T& log_s) {
        using std::exp;
        using std::log;
        const T s = exp(log_s);
        T p(0.0), in_mean(0.0), in_scale(0.0);
        if (upper < kInfinite) {
            const T b = (upper - mu) / s;
            p += normal_cdf(b);
            in_mean -= pdf(b);
            in_scale -= b * pdf(b);
        } else {
            p += T(1.0);
        }
        if (lower > -kInfinite) {
            const T a = (lower - mu) / s;
            p -= normal_cdf(a);
            in_mean += pdf(a);
            in_scale += a * pdf(a);
        }
        log_p = log(p);
        mean = in_mean / p;
        log_scale = in_scale / p;
    }
};

TEST(CensoredTerm, DerivativesAreThoseOfAutomaticDifferentiation) {
    using T = ceres::Jet<double, 2>;
    struct Limits {
        double lower, upper;
    };
    for (const Limits& limits : {Limits{0.3, kInfinite}, Limits{-kInfinite, -0.4}, Limits{-kInfinite, 2.0},
                                 Limits{-3.0, kInfinite}, Limits{-1.0, 0.7}, Limits{1.5, 2.5}, Limits{-2.5, -2.4}}) {
        for (const double scale : {0.6, 1.0, 2.5}) {
            const double mu = 0.2;
            const CensoredTerm term = censored_term((limits.lower - mu) / scale, (limits.upper - mu) / scale);
            // In the mean times the scale: derivatives in the mean itself are divided by it.
            const Between<T> exact(limits.lower, limits.upper, T(mu, 0), T(std::log(scale), 1));
            // Upper tails lose digits in 1 - P, at most three here.
            EXPECT_NEAR(term.cost, -exact.log_p.a, 1e-12 * (1.0 + term.cost));
            EXPECT_NEAR(term.mean, -exact.log_p.v[0] * scale, 1e-11);
            EXPECT_NEAR(term.log_scale, -exact.log_p.v[1], 1e-11);
            EXPECT_NEAR(term.mean_mean, -exact.mean.v[0] * scale, 1e-9);
            EXPECT_NEAR(term.log_scale_log_scale, -exact.log_scale.v[1], 1e-9);
            // d/d log scale of (d/d mean) = (...)/scale: the 1/scale is a part of it.
            EXPECT_NEAR(term.mean_log_scale, -(exact.mean.v[1] - exact.mean.a), 1e-9);
        }
    }
}

TEST(CensoredTerm, FarTailsKeepTheirDigits) {
    for (const double a : {-30.0, -3.0, 0.0, 5.0, 24.9, 25.1, 40.0, 100.0}) {
        // erfcl has the exponents for a <= 100.
        const long double tail = 0.5L * std::erfc(static_cast<long double>(a) / std::numbers::sqrt2_v<long double>);
        const long double density = std::exp(-0.5L * a * a) / std::sqrt(2.0L * std::numbers::pi_v<long double>);
        const CensoredTerm right = censored_term(a, kInfinite);
        const CensoredTerm left = censored_term(-kInfinite, -a);
        EXPECT_NEAR(right.cost, static_cast<double>(-std::log(tail)), 1e-12 * (1e-3 + right.cost)) << a;
        EXPECT_NEAR(right.mean, static_cast<double>(-density / tail), 1e-11 * (1.0 + std::abs(right.mean))) << a;
        EXPECT_DOUBLE_EQ(left.cost, right.cost);
        EXPECT_DOUBLE_EQ(left.mean, -right.mean);
        EXPECT_GE(right.mean_mean, 0.0);
    }
    const CensoredTerm beyond = censored_term(1e6, kInfinite);
    EXPECT_NEAR(beyond.cost, 5e11, 100.0);
    EXPECT_TRUE(std::isfinite(beyond.mean_mean));
    EXPECT_EQ(censored_term(-kInfinite, kInfinite).cost, 0.0);
    EXPECT_EQ(censored_term(-kInfinite, kInfinite).mean, 0.0);
}

TEST(CensoredTerm, TheExpectedSquareIsItsIntegral) {
    for (const auto& [a, b] : {std::pair{-0.5, 1.0}, std::pair{0.8, 9.0}, std::pair{-9.0, -1.0}, std::pair{-2.0, 3.0},
                               std::pair{1.5, 1.7}, std::pair{-9.0, 9.0}}) {
        for (const double k : {0.7, 1.345, 5.0}) {
            const int steps = 200000;  // midpoints: an error of 1e-9 or so, kinks included
            double top = 0.0, bottom = 0.0;
            for (int i = 0; i < steps; ++i) {
                const double z = a + (b - a) * (i + 0.5) / steps;
                top += normal_pdf(z) * std::min(z * z, k * k);
                bottom += normal_pdf(z);
            }
            EXPECT_NEAR(censored_square(a, b, k), top / bottom, 1e-8);
        }
    }
    EXPECT_NEAR(censored_square(-kInfinite, kInfinite, 40.0), 1.0, 1e-14);
    EXPECT_EQ(censored_square(2.0, kInfinite, 1.345), 1.345 * 1.345);
    // A half-normal's square is 1 on average.
    EXPECT_NEAR(censored_square(0.0, kInfinite, 40.0), 1.0, 1e-14);
}

struct Data {
    Eigen::MatrixXd x;
    Eigen::VectorXd lower, upper;
};

/// log y = 1 + 0.5 x + 0.4 z; kinds in turn if censored, and every tenth exact row far off if `gross`.
Data simulated(int n, bool censored, bool gross = false, std::uint64_t seed = 4) {
    Data data{Eigen::MatrixXd(n, 2), Eigen::VectorXd(n), Eigen::VectorXd(n)};
    const CounterRandom random(seed, 2);
    for (int i = 0; i < n; ++i) {
        const double x = 0.1 * (i % 30);
        data.x.row(i) << 1.0, x;
        const double y = 1.0 + 0.5 * x + 0.4 * random.normals(static_cast<std::uint64_t>(i))[0];
        const double cut = 1.0 + 0.5 * x + 0.3 * random.normals(static_cast<std::uint64_t>(n + i))[0];
        data.lower[i] = data.upper[i] = y + (gross && i % 10 == 5 ? 5.0 : 0.0);
        if (!censored) continue;
        if (i % 4 == 0 && y > cut) data.lower[i] = cut, data.upper[i] = kInfinite;
        if (i % 4 == 1 && y < cut) data.lower[i] = -kInfinite, data.upper[i] = cut;
        if (i % 4 == 2) data.lower[i] = std::floor(2.0 * y) / 2.0, data.upper[i] = data.lower[i] + 0.5;
    }
    return data;
}

MeanModel line(const Data& data) {
    return {data.lower.size(),
            2,
            [x = data.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
                fitted = x * theta;
                jacobian = x;
            },
            {},
            true};
}
const std::vector<std::string> kNames = {"level", "slope"};

CensoredFit fit(const Data& data, const Loss& loss, ResponseLaw law = ResponseLaw::normal) {
    CensoredOptions options;
    options.loss = loss;
    options.law = law;
    return fit_censored_regression(line(data), data.lower, data.upper, kNames, Eigen::Vector2d(0.0, 0.0), options);
}

TEST(CensoredRegression, SquaresAreStationaryInTheirLikelihood) {
    const Data data = simulated(60, true);
    const CensoredFit found = fit(data, Loss("squares"));
    EXPECT_GT(std::min({found.exact, found.right, found.left, found.interval}), 3);
    EXPECT_EQ(found.exact + found.right + found.left + found.interval, 60);
    using T = ceres::Jet<double, 3>;
    const T level(found.theta[0], 0), slope(found.theta[1], 1), log_scale(std::log(found.scale), 2);
    T likelihood(0.0), in_level(0.0), in_slope(0.0), in_scale(0.0);
    for (Eigen::Index i = 0; i < 60; ++i) {
        const T mu = level + slope * data.x(i, 1);
        T mean;
        if (data.lower[i] == data.upper[i]) {
            const T u = (data.lower[i] - mu) / exp(log_scale);
            likelihood += log(pdf(u)) - log_scale;
            mean = u / exp(log_scale);
            in_scale += u * u - 1.0;
        } else {
            const Between<T> row(data.lower[i], data.upper[i], mu, log_scale);
            likelihood += row.log_p;
            mean = row.mean / exp(log_scale);
            in_scale += row.log_scale;
        }
        in_level += mean;
        in_slope += mean * data.x(i, 1);
    }
    EXPECT_NEAR(found.log_likelihood, likelihood.a, 1e-10);
    const Eigen::MatrixXd covariance = found.information_covariance();
    for (int j = 0; j < 3; ++j) EXPECT_NEAR(likelihood.v[j] * std::sqrt(covariance(j, j)), 0.0, 1e-8) << j;
    // The books' first derivatives, differentiated once more: the observed information.
    Eigen::Matrix3d information;
    information.row(0) = -in_level.v;
    information.row(1) = -in_slope.v;
    information.row(2) = -in_scale.v;
    EXPECT_NEAR(in_level.a - likelihood.v[0], 0.0, 1e-8);
    EXPECT_THAT(Eigen::MatrixXd(found.bread), EigenNear(Eigen::MatrixXd(information), 1e-7, 1e-8));
    EXPECT_THAT(Eigen::VectorXd(found.scores.colwise().sum().transpose()),
                EigenNear(Eigen::VectorXd(Eigen::VectorXd::Zero(3)), 1e-7, 0.0));
}

TEST(CensoredRegression, TheInformationSeesTheBendOfTheMean) {
    // log y = log a - rate x: the same curve in other words must give the same information in the same words.
    const Data data = simulated(60, true);
    MeanModel bent = line(data);
    bent.evaluate = [x = data.x](const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian) {
        fitted = (x * Eigen::Vector2d(std::log(theta[0]), theta[1] * theta[1])).eval();
        jacobian.resize(x.rows(), 2);
        jacobian.col(0) = x.col(0) / theta[0];
        jacobian.col(1) = x.col(1) * 2.0 * theta[1];
    };
    CensoredOptions options;
    options.law = ResponseLaw::normal;
    const CensoredFit straight = fit(data, Loss("squares"));
    const CensoredFit other =
        fit_censored_regression(bent, data.lower, data.upper, kNames, Eigen::Vector2d(2.0, 0.5), options);
    EXPECT_NEAR(other.log_likelihood, straight.log_likelihood, 1e-10);
    const double a = other.theta[0], r = other.theta[1];
    EXPECT_NEAR(std::log(a), straight.theta[0], 1e-8);
    EXPECT_NEAR(r * r, straight.theta[1], 1e-8);
    // At a maximum the information turns with the first derivatives only.
    const Eigen::Vector3d turn(1.0 / a, 2.0 * r, 1.0);
    EXPECT_THAT(other.bread,
                EigenNear(Eigen::MatrixXd(turn.asDiagonal() * straight.bread * turn.asDiagonal()), 1e-5, 1e-7));
}

class EveryLossCensored : public ::testing::TestWithParam<std::string> {};

TEST_P(EveryLossCensored, WithoutCensoringItIsThePlainFit) {
    const Data data = simulated(60, false, GetParam() != "squares");
    const CensoredFit found = fit(data, Loss(GetParam()));
    RegressionOptions options;
    options.estimator = Estimator::m;
    options.loss = Loss(GetParam());
    options.scale_method = GetParam() == "squares" ? ScaleMethod::sd : ScaleMethod::proposal2;
    const Eigen::VectorXd infinite = Eigen::VectorXd::Constant(2, kInfinite);
    const RegressionFit plain =
        RobustRegression(line(data), data.lower, kNames, options).fit(Eigen::Vector2d(0.0, 0.0), -infinite, infinite);
    EXPECT_THAT(found.theta, EigenNear(plain.theta, 0.0, 1e-8));
    // Maximum likelihood divides by n.
    EXPECT_NEAR(found.scale, plain.scale * (GetParam() == "squares" ? std::sqrt(58.0 / 60.0) : 1.0), 1e-8);
    EXPECT_THAT(found.weights, EigenNear(plain.weights, 1e-7, 0.0));
    EXPECT_EQ(found.exact, 60);
}

TEST_P(EveryLossCensored, SolvesItsEquationsAndTheBreadIsTheirSlope) {
    const Data data = simulated(80, true, GetParam() != "squares");
    const CensoredFit found = fit(data, Loss(GetParam()));
    const Eigen::VectorXd sums = found.scores.colwise().sum().transpose();
    const Eigen::VectorXd sizes = found.scores.colwise().norm().transpose();
    for (int j = 0; j < 3; ++j) EXPECT_NEAR(sums[j] / sizes[j], 0.0, 1e-8);
    EXPECT_TRUE(found.sandwich_covariance().allFinite());
    if (GetParam() != "squares") {
        EXPECT_TRUE(std::isnan(found.log_likelihood));
        EXPECT_THROW(found.information_covariance(), InvalidArgument);
    }
}

TEST_P(EveryLossCensored, CensoringDoesNotBiasTheScale) {
    const int n = 6000;
    Data data = simulated(n, true);
    const CensoredFit found = fit(data, Loss(GetParam()));
    // Four standard errors.
    const Eigen::MatrixXd covariance = found.sandwich_covariance();
    EXPECT_NEAR(found.theta[0], 1.0, 4.0 * std::sqrt(covariance(0, 0)));
    EXPECT_NEAR(found.theta[1], 0.5, 4.0 * std::sqrt(covariance(1, 1)));
    EXPECT_NEAR(std::log(found.scale / 0.4), 0.0, 4.0 * std::sqrt(covariance(2, 2)));
    EXPECT_LT(std::sqrt(covariance(2, 2)), 0.02);
    if (GetParam() != "squares") return;
    // Where the errors are normal the sandwich is the information, up to the noise of squares of scores.
    const Eigen::MatrixXd information = found.information_covariance();
    for (int j = 0; j < 3; ++j) EXPECT_NEAR(covariance(j, j) / information(j, j), 1.0, 0.1);
}

INSTANTIATE_TEST_SUITE_P(Losses, EveryLossCensored, ::testing::ValuesIn(Loss::names()),
                         [](const auto& one) { return one.param; });

TEST(CensoredRegression, OutliersAmongExactRows) {
    const Data clean = simulated(400, true), dirty = simulated(400, true, true);
    const CensoredFit good = fit(clean, Loss("bisquare")), kept = fit(dirty, Loss("bisquare"));
    const CensoredFit bent = fit(dirty, Loss("squares"));
    EXPECT_NEAR(kept.theta[0], good.theta[0], 0.1);
    EXPECT_GT(std::abs(bent.scale - good.scale), 0.5);
    EXPECT_LT(std::abs(kept.scale - good.scale), 0.15);
}

TEST(CensoredRegression, LogNormalIsNormalOfTheLogarithm) {
    const Data data = simulated(60, true);
    Data raw = data;
    raw.lower = data.lower.array().exp();  // exp(-inf) = 0
    raw.upper = data.upper.array().exp();
    const CensoredFit a = fit(data, Loss("squares")), b = fit(raw, Loss("squares"), ResponseLaw::lognormal);
    EXPECT_THAT(b.theta, EigenNear(a.theta, 0.0, 1e-9));
    double volume = 0.0;
    for (Eigen::Index i = 0; i < 60; ++i) {
        if (data.lower[i] == data.upper[i]) volume += data.lower[i];
    }
    EXPECT_NEAR(b.log_likelihood, a.log_likelihood - volume, 1e-9);
}

template <typename Thrown, typename Work>
std::string message_of(const Work& work) {
    try {
        work();
    } catch (const Thrown& error) {
        return error.what();
    }
    return "nothing was thrown";
}

TEST(CensoredRegression, RefusesByName) {
    const Data data = simulated(20, true);
    const auto run = [](const Data& some, ResponseLaw law = ResponseLaw::normal) {
        return [some, law] { fit(some, Loss("squares"), law); };
    };
    Data changed = data;
    changed.lower[3] = 5.0;
    changed.upper[3] = 4.0;
    EXPECT_THAT(message_of<InvalidArgument>(run(changed)), HasSubstr("row 4: the lower limit is above"));
    changed.lower[3] = std::numeric_limits<double>::quiet_NaN();
    EXPECT_THAT(message_of<NotFinite>(run(changed)), HasSubstr("row 4: a limit"));
    changed.lower[3] = -kInfinite;
    changed.upper[3] = kInfinite;
    EXPECT_THAT(message_of<InvalidArgument>(run(changed)), HasSubstr("row 4: one of the limits"));
    changed.lower[3] = kInfinite;
    EXPECT_THAT(message_of<InvalidArgument>(run(changed)), HasSubstr("row 4: an exact response is finite"));
    changed.lower[3] = -2.0;
    EXPECT_THAT(message_of<InvalidArgument>(run(changed, ResponseLaw::lognormal)), HasSubstr("row 4: a log-normal"));
    changed.lower[3] = changed.upper[3] = 0.0;
    EXPECT_THAT(message_of<InvalidArgument>(run(changed, ResponseLaw::lognormal)), HasSubstr("row 4: a log-normal"));
    changed = data;
    changed.upper.setConstant(kInfinite);
    changed.lower = data.x.col(1);
    EXPECT_THAT(message_of<NotIdentifiable>(run(changed)), HasSubstr("no row has an upper limit"));
    changed.upper = changed.lower;
    changed.lower.setConstant(-kInfinite);
    EXPECT_THAT(message_of<NotIdentifiable>(run(changed)), HasSubstr("no row has a lower limit"));
    changed = data;
    changed.x.col(1).setConstant(2.0);
    EXPECT_THAT(message_of<NotIdentifiable>(run(changed)), HasSubstr("level, slope"));
    changed = data;
    changed.x(6, 1) = kInfinite;
    EXPECT_THAT(message_of<NotFinite>(run(changed)), HasSubstr("row 7: the mean"));
    EXPECT_THROW(response_law_from_name("weibull"), InvalidArgument);
    CensoredOptions options;
    options.max_scale_rounds = 0;
    EXPECT_THROW(options.check(), InvalidArgument);
    options.max_scale_rounds = 1;
    options.scale_tolerance = 0.0;
    EXPECT_THROW(options.check(), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
