#include <lobetime/core/errors.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/fit/loss.hpp>

#include "eigen_matchers.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <functional>
#include <limits>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;

constexpr double kInfinite = std::numeric_limits<double>::infinity();
/// The step that converges is judged by the cost, whose digits see 1e-15 of it: parameters of well-scaled problems to
/// about the root of that.
constexpr double kTolerance = 1e-7;

Eigen::VectorXd vector(std::initializer_list<double> values) {
    Eigen::VectorXd v(static_cast<Eigen::Index>(values.size()));
    std::copy(values.begin(), values.end(), v.begin());
    return v;
}

/// sum rho(r(theta)); a residual that is not finite is told by its row.
class Losses final : public Objective {
public:
    using Residuals = std::function<void(const Eigen::VectorXd&, Eigen::VectorXd&, Eigen::MatrixXd&)>;
    Losses(std::vector<std::string> names, Residuals residuals, const Loss& loss = Loss("squares"))
        : names_(std::move(names)), residuals_(std::move(residuals)), loss_(loss) {}
    const std::vector<std::string>& parameter_names() const override { return names_; }
    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override {
        Eigen::VectorXd r;
        Eigen::MatrixXd j;
        residuals_(theta, r, j);
        if (!r.allFinite()) throw NotFinite("row 7: not finite");
        Eigen::VectorXd slope(r.size()), bend(r.size());
        out.cost = 0.0;
        for (Eigen::Index i = 0; i < r.size(); ++i) {
            const LossValue value = loss_(r[i]);
            out.cost += value.rho;
            slope[i] = value.psi;
            bend[i] = bend_of(value, curvature);
        }
        out.gradient = j.transpose() * slope;
        out.curvature = j.transpose() * bend.asDiagonal() * j;
        out.root.resize(0, 0);
    }

private:
    std::vector<std::string> names_;
    Residuals residuals_;
    Loss loss_;
};

/// Rosenbrock's valley and a constant, so that the least cost is not 0; minimum at (1, 1).
Losses valley(const Loss& loss = Loss("squares")) {
    return Losses(
        {"x", "y"},
        [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
            r = vector({10.0 * (t[1] - t[0] * t[0]), 1.0 - t[0], 1.0});
            j.resize(3, 2);
            j << -20.0 * t[0], 10.0, -1.0, 0.0, 0.0, 0.0;
        },
        loss);
}

Losses bowl() {
    return Losses({"x", "y"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({t[0] - 3.0, t[1] + 2.0, 2.0});
        j = Eigen::MatrixXd::Identity(3, 2);
    });
}

/// A decay with an outlier, columns of very different size.
Losses decay(const Loss& loss) {
    return Losses(
        {"height", "rate"},
        [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
            constexpr int n = 25;
            r.resize(n);
            j.resize(n, 2);
            for (int i = 0; i < n; ++i) {
                const double x = 40.0 * i;
                const double y = 50.0 * std::exp(-0.004 * x) + 0.8 * std::sin(7.0 * i) + (i == 9 ? 40.0 : 0.0);
                const double share = std::exp(-t[1] * x);
                r[i] = t[0] * share - y;
                j(i, 0) = share;
                j(i, 1) = -t[0] * x * share;
            }
        },
        loss);
}

LevenbergOptions steps(int most) {
    LevenbergOptions options;
    options.max_iterations = most;
    return options;
}

Eigen::VectorXd all(double value) { return Eigen::VectorXd::Constant(2, value); }

void expect_as_minimise(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                        const Eigen::VectorXd& upper, Curvature curvature) {
    const Minimum small = levenberg_marquardt(objective, start, lower, upper, curvature, steps(500));
    const Minimum large = minimise(objective, start, lower, upper, curvature, {});
    ASSERT_TRUE(small.usable()) << small.message;
    ASSERT_TRUE(large.usable()) << large.message;
    EXPECT_THAT(small.theta, EigenNear(large.theta, 0.0, kTolerance));
    EXPECT_NEAR(small.cost, large.cost, 1e-12 * large.cost);
    EXPECT_EQ(small.on_bound, large.on_bound);
}

class EveryCurvature : public ::testing::TestWithParam<Curvature> {};

TEST_P(EveryCurvature, FindsWhatTheLargeSolverFinds) {
    expect_as_minimise(valley(), vector({-1.2, 1.0}), all(-kInfinite), all(kInfinite), GetParam());
    expect_as_minimise(bowl(), vector({0.5, 0.5}), all(-kInfinite), all(kInfinite), GetParam());
    for (const char* loss : {"squares", "huber", "soft_l1", "cauchy", "bisquare"}) {
        SCOPED_TRACE(loss);
        expect_as_minimise(decay(Loss(loss)), vector({48.0, 0.0042}), all(-kInfinite), all(kInfinite), GetParam());
    }
}

TEST_P(EveryCurvature, FindsTheSameInsideBounds) {
    expect_as_minimise(bowl(), vector({0.5, 0.5}), all(-kInfinite), vector({1.0, kInfinite}), GetParam());
    expect_as_minimise(bowl(), vector({0.5, 0.5}), vector({-9.0, -1.0}), vector({1.0, 5.0}), GetParam());
    expect_as_minimise(valley(), vector({-1.2, 1.0}), all(-3.0), vector({0.5, 3.0}), GetParam());
    expect_as_minimise(decay(Loss("huber")), vector({30.0, 0.003}), vector({0.0, 0.0}), vector({40.0, 1.0}),
                       GetParam());
    // A bound that is not in the way of the minimum, but of the way there.
    expect_as_minimise(decay(Loss("huber")), vector({30.0, 0.02}), vector({0.0, 0.0}), vector({52.0, 0.02}),
                       GetParam());
}

INSTANTIATE_TEST_SUITE_P(Curvatures, EveryCurvature, ::testing::Values(Curvature::exact, Curvature::reweighted),
                         [](const auto& one) {
                             return std::string(one.param == Curvature::exact ? "exact" : "reweighted");
                         });

TEST(LevenbergMarquardt, HoldsAParameterWhoseBoundsAreOne) {
    const Minimum found =
        levenberg_marquardt(valley(), vector({5.0, 5.0}), vector({-9.0, 0.25}), vector({9.0, 0.25}), Curvature::exact);
    EXPECT_TRUE(found.usable()) << found.message;
    EXPECT_EQ(found.theta[1], 0.25);
    EXPECT_THAT(found.on_bound, ElementsAre());  // held is not driven there
    // d/dx of 50 (y - x^2)^2 + (1 - x)^2 / 2 = 0
    const double x = found.theta[0];
    EXPECT_NEAR(-200.0 * x * (0.25 - x * x) - (1.0 - x), 0.0, 1e-6);
}

TEST(LevenbergMarquardt, StartsInsideTheBounds) {
    const Minimum found =
        levenberg_marquardt(bowl(), vector({100.0, 100.0}), vector({2.0, -4.0}), vector({6.0, 4.0}), Curvature::exact);
    EXPECT_THAT(found.theta, EigenNear(vector({3.0, -2.0}), kTolerance, 0.0));
    EXPECT_THAT(found.on_bound, IsEmpty());
    EXPECT_LT(found.largest_gradient, kTolerance);
}

TEST(LevenbergMarquardt, ReachesALeastCostOfZero) {
    const Losses line({"x"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({2.0 * t[0] - 6.0});
        j = Eigen::MatrixXd::Constant(1, 1, 2.0);
    });
    const Minimum found =
        levenberg_marquardt(line, vector({100.0}), vector({-kInfinite}), vector({kInfinite}), Curvature::exact);
    EXPECT_TRUE(found.usable()) << found.message;
    EXPECT_NEAR(found.theta[0], 3.0, kTolerance);
}

TEST(LevenbergMarquardt, SaysWhenItStoppedAtTheIterationLimit) {
    const Minimum found =
        levenberg_marquardt(valley(), vector({-1.2, 1.0}), all(-kInfinite), all(kInfinite), Curvature::exact, steps(2));
    EXPECT_EQ(found.termination, Termination::at_iteration_limit);
    EXPECT_FALSE(found.usable());
    EXPECT_EQ(found.iterations, 2);
    EXPECT_THAT(found.message, HasSubstr("iteration limit"));
}

TEST(LevenbergMarquardt, StopsWhenAskedTo) {
    LevenbergOptions options;
    int asked = 0;
    options.interrupt = [&asked] { return ++asked == 3; };
    const Minimum found =
        levenberg_marquardt(valley(), vector({-1.2, 1.0}), all(-kInfinite), all(kInfinite), Curvature::exact, options);
    EXPECT_EQ(found.termination, Termination::interrupted);
    EXPECT_EQ(asked, 3);
    EXPECT_FALSE(found.usable());
}

/// 1/2 (log x + 2)^2 + 1/2: not defined for x <= 0.
Losses logarithm() {
    return Losses({"x"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({std::log(t[0]) + 2.0, 1.0});
        j = Eigen::MatrixXd::Zero(2, 1);
        j(0, 0) = 1.0 / t[0];
    });
}

TEST(LevenbergMarquardt, RefusesAStartThatCannotBeEvaluated) {
    EXPECT_THROW(
        levenberg_marquardt(logarithm(), vector({-1.0}), vector({-kInfinite}), vector({kInfinite}), Curvature::exact),
        NotFinite);
}

TEST(LevenbergMarquardt, WalksAroundPointsThatCannotBeEvaluated) {
    // The first full step from 3 lands at a negative number.
    const Minimum found =
        levenberg_marquardt(logarithm(), vector({3.0}), vector({-kInfinite}), vector({kInfinite}), Curvature::exact);
    EXPECT_TRUE(found.usable()) << found.message;
    EXPECT_NEAR(found.theta[0], std::exp(-2.0), kTolerance);
}

TEST(LevenbergMarquardt, FailsWhereNothingNearCanBeEvaluated) {
    // Defined at the start only.
    const Losses point({"x"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({t[0] == 1.0 ? 3.0 : std::nan("")});
        j = Eigen::MatrixXd::Ones(1, 1);
    });
    const Minimum found =
        levenberg_marquardt(point, vector({1.0}), vector({-kInfinite}), vector({kInfinite}), Curvature::exact);
    EXPECT_EQ(found.termination, Termination::failed);
    EXPECT_EQ(found.theta[0], 1.0);
}

TEST(LevenbergMarquardt, AFlatDirectionIsNoReasonToStopOnTheWay) {
    const Losses flat({"x", "y"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({t[0] + t[1] - 1.0, 0.5});
        j.setZero(2, 2);
        j.row(0).setOnes();
    });
    const Minimum found =
        levenberg_marquardt(flat, vector({4.0, 5.0}), all(-kInfinite), all(kInfinite), Curvature::exact);
    EXPECT_NEAR(found.theta.sum(), 1.0, 1e-6);
}

TEST(LevenbergMarquardt, RefusesSizesAndBoundsThatDoNotFit) {
    EXPECT_THROW(levenberg_marquardt(bowl(), vector({0.0}), all(-1.0), all(1.0), Curvature::exact), InvalidArgument);
    EXPECT_THROW(levenberg_marquardt(bowl(), all(0.0), vector({0.0}), all(1.0), Curvature::exact), InvalidArgument);
    try {
        levenberg_marquardt(bowl(), all(0.0), vector({-1.0, 2.0}), vector({1.0, 1.0}), Curvature::exact);
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), HasSubstr("of y"));
    }
}

TEST(LevenbergMarquardt, ChecksItsOptionsByName) {
    const auto message = [](const auto& change) {
        LevenbergOptions options;
        change(options);
        try {
            options.check();
        } catch (const InvalidArgument& error) {
            return std::string(error.what());
        }
        return std::string("accepted");
    };
    EXPECT_THAT(message([](auto& o) { o.max_iterations = 0; }), HasSubstr("max_iterations"));
    EXPECT_THAT(message([](auto& o) { o.gain_tolerance = 1.0; }), HasSubstr("gain_tolerance"));
    EXPECT_THAT(message([](auto& o) { o.gain_tolerance = std::nan(""); }), HasSubstr("gain_tolerance"));
    EXPECT_THAT(message([](auto& o) { o.first_damping = -1.0; }), HasSubstr("first_damping"));
    EXPECT_THAT(message([](auto& o) { o.first_damping = kInfinite; }), HasSubstr("first_damping"));
    EXPECT_THAT(message([](auto&) {}), HasSubstr("accepted"));
}

}  // namespace
}  // namespace lobetime
