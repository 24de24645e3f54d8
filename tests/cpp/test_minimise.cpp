#include <lobetime/core/errors.hpp>
#include <lobetime/fit/minimise.hpp>

#include "eigen_matchers.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::UnorderedElementsAre;

constexpr double kInfinite = std::numeric_limits<double>::infinity();

Eigen::VectorXd vector(std::initializer_list<double> values) {
    Eigen::VectorXd v(static_cast<Eigen::Index>(values.size()));
    Eigen::Index i = 0;
    for (const double value : values) v[i++] = value;
    return v;
}

/// 1/2 |r(theta)|^2 of any residuals.
class LeastSquares final : public Objective {
public:
    using Residuals = std::function<void(const Eigen::VectorXd&, Eigen::VectorXd&, Eigen::MatrixXd&)>;
    LeastSquares(std::vector<std::string> names, Residuals residuals)
        : names_(std::move(names)), residuals_(std::move(residuals)) {}
    const std::vector<std::string>& parameter_names() const override { return names_; }
    void evaluate(const Eigen::VectorXd& theta, Curvature, Evaluation& out) const override {
        ++calls;
        Eigen::VectorXd r;
        Eigen::MatrixXd j;
        residuals_(theta, r, j);
        if (!r.allFinite()) throw NotFinite("row 7: not finite");
        out.cost = 0.5 * r.squaredNorm();
        out.gradient = j.transpose() * r;
        out.curvature = j.transpose() * j;
    }
    mutable int calls = 0;

private:
    std::vector<std::string> names_;
    Residuals residuals_;
};

/// Rosenbrock's valley; minimum 0 at (1, 1).
LeastSquares valley() {
    return LeastSquares({"x", "y"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({10.0 * (t[1] - t[0] * t[0]), 1.0 - t[0]});
        j.resize(2, 2);
        j << -20.0 * t[0], 10.0, -1.0, 0.0;
    });
}

/// (x - 3)^2 / 2 + (y + 2)^2 / 2 + 5
LeastSquares bowl() {
    return LeastSquares({"x", "y"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({t[0] - 3.0, t[1] + 2.0, std::sqrt(10.0)});
        j = Eigen::MatrixXd::Identity(3, 2);
    });
}

const Eigen::VectorXd kNone = vector({-kInfinite, -kInfinite}), kAll = vector({kInfinite, kInfinite});

TEST(Minimise, FindsTheMinimumOfAValley) {
    const Minimum found = minimise(valley(), vector({-1.2, 1.0}), kNone, kAll, Curvature::exact, {});
    EXPECT_EQ(found.termination, Termination::converged);
    EXPECT_TRUE(found.usable());
    EXPECT_THAT(found.theta, EigenNear(vector({1.0, 1.0}), 1e-9, 0.0));
    EXPECT_LT(found.cost, 1e-18);
    EXPECT_LT(found.largest_gradient, 1e-8);
    EXPECT_THAT(found.on_bound, IsEmpty());
    EXPECT_GT(found.iterations, 1);
}

/// The last Newton steps go by the gradient, not by the cost: rounding is all that is left.
constexpr double kBowlTolerance = 1e-9;

TEST(Minimise, ReportsTheCostItself) {
    const Minimum found = minimise(bowl(), vector({0.0, 0.0}), kNone, kAll, Curvature::reweighted, {});
    EXPECT_NEAR(found.cost, 5.0, 1e-12);
    EXPECT_THAT(found.theta, EigenNear(vector({3.0, -2.0}), kBowlTolerance, 0.0));
}

TEST(Minimise, NamesParametersThatEndOnABound) {
    const Minimum upper = minimise(bowl(), vector({0.0, 0.0}), kNone, vector({1.0, kInfinite}), Curvature::exact, {});
    EXPECT_TRUE(upper.usable());
    EXPECT_THAT(upper.on_bound, ElementsAre("x"));
    EXPECT_THAT(upper.theta, EigenNear(vector({1.0, -2.0}), kBowlTolerance, 0.0));
    // The gradient of x at its bound is not 0 and does not count.
    EXPECT_LT(upper.largest_gradient, kBowlTolerance);
    const Minimum both =
        minimise(bowl(), vector({0.0, 0.0}), vector({-9.0, -1.0}), vector({1.0, 5.0}), Curvature::exact, {});
    EXPECT_THAT(both.on_bound, UnorderedElementsAre("x", "y"));
}

TEST(Minimise, StartsInsideTheBounds) {
    const Minimum found =
        minimise(bowl(), vector({100.0, 100.0}), vector({2.0, -4.0}), vector({6.0, 4.0}), Curvature::exact, {});
    EXPECT_THAT(found.theta, EigenNear(vector({3.0, -2.0}), kBowlTolerance, 0.0));
}

TEST(Minimise, SaysWhenItStoppedAtTheIterationLimit) {
    MinimiseOptions options;
    options.max_iterations = 2;
    const Minimum found = minimise(valley(), vector({-1.2, 1.0}), kNone, kAll, Curvature::exact, options);
    EXPECT_EQ(found.termination, Termination::at_iteration_limit);
    EXPECT_FALSE(found.usable());
    EXPECT_THAT(found.message, HasSubstr("iteration limit"));
    EXPECT_TRUE(found.theta.allFinite());
}

TEST(Minimise, StopsWhenAskedTo) {
    MinimiseOptions options;
    int asked = 0;
    options.interrupt = [&asked] { return ++asked == 3; };
    const Minimum found = minimise(valley(), vector({-1.2, 1.0}), kNone, kAll, Curvature::exact, options);
    EXPECT_EQ(found.termination, Termination::interrupted);
    EXPECT_EQ(asked, 3);
    EXPECT_FALSE(found.usable());
}

TEST(Minimise, RefusesAStartThatCannotBeEvaluated) {
    const LeastSquares undefined({"x"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({std::log(t[0])});
        j = Eigen::MatrixXd::Constant(1, 1, 1.0 / t[0]);
    });
    try {
        minimise(undefined, vector({-1.0}), vector({-kInfinite}), vector({kInfinite}), Curvature::exact, {});
        FAIL() << "accepted";
    } catch (const NotFinite& error) {
        EXPECT_THAT(error.what(), HasSubstr("row 7"));
    }
    EXPECT_THROW(minimise(undefined, vector({std::nan("")}), vector({0.0}), vector({1.0}), Curvature::exact, {}),
                 InvalidArgument);
}

TEST(Minimise, WalksAroundPointsThatCannotBeEvaluated) {
    // The first full step from 3 lands at log of a negative number.
    const LeastSquares part({"x"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({std::log(t[0]) + 2.0});
        j = Eigen::MatrixXd::Constant(1, 1, 1.0 / t[0]);
    });
    const Minimum found =
        minimise(part, vector({3.0}), vector({-kInfinite}), vector({kInfinite}), Curvature::exact, {});
    EXPECT_TRUE(found.usable()) << found.message;
    EXPECT_NEAR(found.theta[0], std::exp(-2.0), 1e-9);
}

/// Never throws, gives NaN instead.
class Silent final : public Objective {
public:
    const std::vector<std::string>& parameter_names() const override { return names_; }
    void evaluate(const Eigen::VectorXd&, Curvature, Evaluation& out) const override {
        out.cost = std::nan("");
        out.gradient.setConstant(1, std::nan(""));
        out.curvature.setConstant(1, 1, std::nan(""));
    }

private:
    std::vector<std::string> names_ = {"x"};
};

TEST(Minimise, NeverCallsANanFitUsable) {
    try {
        const Minimum found = minimise(Silent{}, vector({1.0}), vector({-5.0}), vector({5.0}), Curvature::exact, {});
        EXPECT_EQ(found.termination, Termination::failed);
        EXPECT_THAT(found.message, HasSubstr("not finite"));
    } catch (const NotFinite&) {
    }
}

TEST(Minimise, RefusesSizesAndBoundsThatDoNotFit) {
    EXPECT_THROW(minimise(bowl(), vector({0.0}), kNone, kAll, Curvature::exact, {}), InvalidArgument);
    EXPECT_THROW(minimise(bowl(), vector({0.0, 0.0}), vector({0.0}), kAll, Curvature::exact, {}), InvalidArgument);
    try {
        minimise(bowl(), vector({0.0, 0.0}), vector({-1.0, 3.0}), vector({1.0, 2.0}), Curvature::exact, {});
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), HasSubstr("y"));
    }
}

TEST(Minimise, EqualBoundsHoldAParameter) {
    const Minimum found =
        minimise(bowl(), vector({0.0, 0.0}), vector({-9.0, 2.0}), vector({9.0, 2.0}), Curvature::exact, {});
    EXPECT_TRUE(found.usable()) << found.message;
    EXPECT_EQ(found.theta[1], 2.0);
    EXPECT_THAT(found.on_bound, ::testing::IsEmpty());
    EXPECT_LT(found.largest_gradient, 1e-9);
}

TEST(Minimise, ChecksItsOptionsByName) {
    const auto message = [](const auto& change) {
        MinimiseOptions options;
        change(options);
        try {
            options.check();
        } catch (const InvalidArgument& error) {
            return std::string(error.what());
        }
        return std::string("accepted");
    };
    EXPECT_THAT(message([](auto& o) { o.max_iterations = 0; }), HasSubstr("max_iterations"));
    EXPECT_THAT(message([](auto& o) { o.gain_tolerance = -1.0; }), HasSubstr("gain_tolerance"));
    EXPECT_THAT(message([](auto& o) { o.step_tolerance = std::nan(""); }), HasSubstr("step_tolerance"));
    EXPECT_THAT(message([](auto& o) { o.gain_tolerance = 1.0; }), HasSubstr("gain_tolerance"));
}

TEST(Minimise, PrintsNothing) {
    ::testing::internal::CaptureStdout();
    ::testing::internal::CaptureStderr();
    MinimiseOptions options;
    options.max_iterations = 1;
    minimise(valley(), vector({-1.2, 1.0}), kNone, kAll, Curvature::exact, options);
    try {
        minimise(Silent{}, vector({1.0}), vector({-5.0}), vector({5.0}), Curvature::exact, {});
    } catch (const NotFinite&) {
    }
    const LeastSquares flat({"x", "y"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({t[0] + t[1] - 1.0, 0.5});
        j.setZero(2, 2);
        j.row(0).setOnes();
    });
    minimise(flat, vector({4.0, 5.0}), kNone, kAll, Curvature::exact, {});
    EXPECT_EQ(::testing::internal::GetCapturedStdout(), "");
    EXPECT_EQ(::testing::internal::GetCapturedStderr(), "");
}

TEST(Minimise, AFlatDirectionIsNoReasonToStopOnTheWay) {
    const LeastSquares flat({"x", "y"}, [](const Eigen::VectorXd& t, Eigen::VectorXd& r, Eigen::MatrixXd& j) {
        r = vector({t[0] + t[1] - 1.0, 0.5});
        j.setZero(2, 2);
        j.row(0).setOnes();
    });
    const Minimum found = minimise(flat, vector({4.0, 5.0}), kNone, kAll, Curvature::exact, {});
    EXPECT_NEAR(found.theta.sum(), 1.0, 1e-6);
}

std::vector<std::string> unidentified(const Eigen::MatrixXd& curvature, const std::vector<std::string>& names) {
    try {
        require_identifiable(curvature, names);
    } catch (const NotIdentifiable& error) {
        for (const auto& name : error.parameters()) EXPECT_THAT(error.what(), HasSubstr(name));
        return error.parameters();
    }
    return {};
}

TEST(RequireIdentifiable, AcceptsFullRankAtAnyScaling) {
    Eigen::MatrixXd j(4, 3);
    j << 1.0, 2.0, 3.0, 0.0, 1.0, 4.0, 5.0, 6.0, 0.0, 1.0, 1.0, 1.0;
    EXPECT_THAT(unidentified(j.transpose() * j, {"a", "b", "c"}), IsEmpty());
    const Eigen::VectorXd unit = vector({1e-9, 1.0, 1e3});
    EXPECT_THAT(unidentified(unit.asDiagonal() * (j.transpose() * j) * unit.asDiagonal(), {"a", "b", "c"}), IsEmpty());
}

TEST(RequireIdentifiable, NamesAColumnOfZeros) {
    Eigen::MatrixXd j(3, 3);
    j << 1.0, 0.0, 3.0, 0.0, 0.0, 4.0, 5.0, 0.0, 0.0;
    EXPECT_THAT(unidentified(j.transpose() * j, {"a", "b", "c"}), ElementsAre("b"));
}

TEST(RequireIdentifiable, NamesCollinearColumnsOnly) {
    Eigen::MatrixXd j(5, 4);
    j << 1, 2, 1, 0.3, 2, 4, 0, 0.1, 3, 6, 2, 0.9, 4, 8, 1, 0.2, 5, 10, 7, 0.4;
    EXPECT_THAT(unidentified(j.transpose() * j, {"a", "twice_a", "c", "d"}), UnorderedElementsAre("a", "twice_a"));
}

TEST(RequireIdentifiable, NamesAllPartsOfASumThatOnlyTogetherCanBeTold) {
    // Intercept = sum of three indicator columns.
    Eigen::MatrixXd j(6, 4);
    j << 1, 1, 0, 0, 1, 1, 0, 0, 1, 0, 1, 0, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 1;
    EXPECT_THAT(unidentified(j.transpose() * j, {"level", "A", "B", "C"}),
                UnorderedElementsAre("level", "A", "B", "C"));
}

TEST(RequireIdentifiable, SeesAFlatDirectionSpreadOverManyParameters) {
    // 150 parameters of which only the sum cannot be told: each has a share of 1/sqrt(150) = 0.08 in the direction.
    constexpr Eigen::Index p = 150;
    const Eigen::MatrixXd curvature = Eigen::MatrixXd::Identity(p, p) - Eigen::MatrixXd::Constant(p, p, 1.0 / p);
    std::vector<std::string> names;
    for (Eigen::Index i = 0; i < p; ++i) names.push_back("p" + std::to_string(i));
    EXPECT_EQ(unidentified(curvature, names).size(), names.size());
}

TEST(RequireIdentifiable, RefusesNan) {
    Eigen::MatrixXd curvature = Eigen::MatrixXd::Identity(2, 2);
    curvature(0, 1) = std::nan("");
    EXPECT_THROW(require_identifiable(curvature, {"a", "b"}), NotFinite);
}

TEST(Termination, HasWordsForEach) {
    EXPECT_EQ(termination_words(Termination::converged), "converged");
    EXPECT_EQ(termination_words(Termination::interrupted), "interrupted");
    EXPECT_EQ(Minimum{}.termination, Termination::not_started);
    EXPECT_FALSE(Minimum{}.usable());
}

}  // namespace
}  // namespace lobetime
