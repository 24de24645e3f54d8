#include <lobetime/core/errors.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>
#include <lobetime/inference/profile.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <Eigen/LU>

#include <cmath>
#include <functional>
#include <limits>
#include <utility>

namespace lobetime {
namespace {

using ::testing::HasSubstr;

constexpr double kInfinity = std::numeric_limits<double>::infinity();

/// Least squares scaled so that twice the cost, less its minimum, is (n - p)(RSS / least RSS - 1).
class LeastSquares final : public Objective {
public:
    using Mean = std::function<double(double x, const Eigen::VectorXd& theta, Eigen::VectorXd& slope)>;

    LeastSquares(std::vector<std::string> names, Eigen::VectorXd x, Eigen::VectorXd y, Mean mean)
        : names_(std::move(names)), x_(std::move(x)), y_(std::move(y)), mean_(std::move(mean)) {}

    const std::vector<std::string>& parameter_names() const override { return names_; }

    void evaluate(const Eigen::VectorXd& theta, Curvature, Evaluation& out) const override {
        const Eigen::Index p = theta.size();
        out.cost = 0.0;
        out.gradient.setZero(p);
        out.curvature.setZero(p, p);
        Eigen::VectorXd slope(p);
        for (Eigen::Index i = 0; i < x_.size(); ++i) {
            const double residual = y_[i] - mean_(x_[i], theta, slope);
            if (!std::isfinite(residual) || !slope.allFinite())
                throw NotFinite("row " + std::to_string(i + 1) + " is not finite");
            out.cost += 0.5 * scale_ * residual * residual;
            out.gradient -= scale_ * residual * slope;
            out.curvature += scale_ * slope * slope.transpose();
        }
    }

    /// The minimum; from here on costs are in units of its mean square.
    Eigen::VectorXd fit(const Eigen::VectorXd& start) {
        const Eigen::VectorXd free = Eigen::VectorXd::Constant(start.size(), kInfinity);
        const Minimum minimum = levenberg_marquardt(*this, start, -free, free, Curvature::exact);
        EXPECT_TRUE(minimum.usable());
        scale_ = static_cast<double>(x_.size() - start.size()) / (2.0 * minimum.cost);
        return minimum.theta;
    }

private:
    std::vector<std::string> names_;
    Eigen::VectorXd x_, y_;
    Mean mean_;
    double scale_ = 1.0;
};

/// rate = Vm x / (K + x). Data: Puromycin, Bates and Watts, Nonlinear Regression Analysis, 1988, table A1.3.
LeastSquares puromycin(bool treated) {
    Eigen::VectorXd x(12), y(12);
    x << .02, .02, .06, .06, .11, .11, .22, .22, .56, .56, 1.10, 1.10;
    if (treated) {
        y << 76, 47, 97, 107, 123, 139, 159, 152, 191, 201, 207, 200;
    } else {
        x.conservativeResize(11);
        y.resize(11);
        y << 67, 51, 84, 86, 98, 115, 131, 124, 144, 158, 160;
    }
    return {{"Vm", "K"}, x, y, [](double conc, const Eigen::VectorXd& theta, Eigen::VectorXd& slope) {
                const double below = theta[1] + conc;
                slope[0] = conc / below;
                slope[1] = -theta[0] * conc / (below * below);
                return theta[0] * slope[0];
            }};
}

/// demand = A (1 - exp(-r t)). Data: BOD, Bates and Watts, table A4.1.
LeastSquares bod() {
    Eigen::VectorXd x(6), y(6);
    x << 1, 2, 3, 4, 5, 7;
    y << 8.3, 10.3, 19.0, 16.0, 15.6, 19.8;
    return {{"A", "r"}, x, y, [](double time, const Eigen::VectorXd& theta, Eigen::VectorXd& slope) {
                slope[0] = -std::expm1(-theta[1] * time);
                slope[1] = theta[0] * time * std::exp(-theta[1] * time);
                return theta[0] * slope[0];
            }};
}

Quantity parameter(int i, const std::string& name) {
    return {name, "1", [i](const Eigen::VectorXd& theta) { return theta[i]; }, i};
}

/// The same, but not known to be a parameter: found by drawing, with differences for a gradient.
Quantity disguised(int i, const std::string& name) {
    return {name, "1", [i](const Eigen::VectorXd& theta) { return theta[i]; }};
}

struct Profiled {
    LeastSquares objective;
    Eigen::VectorXd theta, lower, upper;

    ProfileInterval of(const Quantity& quantity, double critical) const {
        Evaluation evaluation;
        objective.evaluate(theta, Curvature::exact, evaluation);
        ProfileOptions options;
        options.critical = critical;
        const Eigen::MatrixXd covariance = evaluation.curvature.inverse();
        const Eigen::VectorXd step = 1e-4 * covariance.diagonal().cwiseSqrt();
        const Eigen::VectorXd slope = gradient_of(quantity, theta, step);
        return profile_interval(objective, theta, lower, upper, quantity, std::sqrt(slope.dot(covariance * slope)),
                                options);
    }
};

Profiled profiled(LeastSquares objective, double first, double second) {
    Eigen::VectorXd start(2);
    start << first, second;
    const Eigen::VectorXd theta = objective.fit(start), free = Eigen::VectorXd::Constant(2, kInfinity);
    return {std::move(objective), theta, -free, free};
}

// Squares of Student's t at .975 and .995, degrees of freedom n - p (tables).
constexpr double kT10_95 = 2.2281388519649385 * 2.2281388519649385;
constexpr double kT10_99 = 3.1692726726169526 * 3.1692726726169526;
constexpr double kT9_95 = 2.2621571627409915 * 2.2621571627409915;
constexpr double kT4_95 = 2.7764451051977934 * 2.7764451051977934;
constexpr double kT4_99 = 4.604094871415897 * 4.604094871415897;

// Exact limits: solved independently with scipy to about 10 digits, printed to 10. Relative 1e-8 allows for their
// rounding and for the minimum's own last digits.
void expect_ends(const ProfileInterval& interval, double lower, double upper) {
    constexpr double kDigits = 1e-8;
    EXPECT_FALSE(interval.lower_open) << interval.lower_reason;
    EXPECT_FALSE(interval.upper_open) << interval.upper_reason;
    EXPECT_NEAR(interval.lower, lower, kDigits * std::abs(lower));
    EXPECT_NEAR(interval.upper, upper, kDigits * std::abs(upper));
}

TEST(ProfileInterval, HasTheExactLimitsOfPuromycin) {
    const Profiled treated = profiled(puromycin(true), 200.0, 0.05);
    for (const auto& make : {parameter, disguised}) {
        expect_ends(treated.of(make(0, "Vm"), kT10_95), 197.3019329, 229.2890551);
        expect_ends(treated.of(make(1, "K"), kT10_95), 0.04692034204, 0.08615691343);
        expect_ends(treated.of(make(0, "Vm"), kT10_99), 191.1224402, 236.7349614);
        expect_ends(treated.of(make(1, "K"), kT10_99), 0.04083793483, 0.09726495842);
    }
    const Profiled untreated = profiled(puromycin(false), 160.0, 0.05);
    EXPECT_NEAR(untreated.of(parameter(0, "Vm"), kT9_95).estimate, 160.280046346, 1e-8 * 160.0);
    expect_ends(untreated.of(parameter(0, "Vm"), kT9_95), 145.6366789, 176.5437564);
    expect_ends(untreated.of(parameter(1, "K"), kT9_95), 0.03136687063, 0.0700571145);
}

TEST(ProfileInterval, HasTheExactLimitsOfBod) {
    const Profiled fit = profiled(bod(), 20.0, 0.5);
    for (const auto& make : {parameter, disguised}) {
        expect_ends(fit.of(make(0, "A"), kT4_95), 14.04936416, 38.45619797);
        expect_ends(fit.of(make(1, "r"), kT4_95), 0.1313977467, 1.808169595);
    }
}

TEST(ProfileInterval, LeavesAnEndOpenThatTheDataDoNotClose) {
    const Profiled fit = profiled(bod(), 20.0, 0.5);
    for (const auto& make : {parameter, disguised}) {
        const ProfileInterval asymptote = fit.of(make(0, "A"), kT4_99), rate = fit.of(make(1, "r"), kT4_99);
        for (const ProfileInterval* one : {&asymptote, &rate}) {
            EXPECT_TRUE(one->upper_open);
            EXPECT_TRUE(std::isnan(one->upper));
            EXPECT_THAT(one->upper_reason, HasSubstr("levels off at"));
            EXPECT_FALSE(one->lower_open) << one->lower_reason;
            EXPECT_TRUE(one->lower_reason.empty());
        }
        EXPECT_NEAR(rate.lower, -0.04449395575, 1e-8 * 0.044);
    }
}

/// Predicted rate at a concentration of 0.5, in the parameters (Vm, K).
Quantity rate_at_half() {
    return {"rate at 0.5", "counts/min^2",
            [](const Eigen::VectorXd& theta) { return 0.5 * theta[0] / (theta[1] + 0.5); }};
}

TEST(ProfileInterval, OfAFunctionIsThatOfTheParameterItCouldBe) {
    const Profiled plain = profiled(puromycin(true), 200.0, 0.05);
    Eigen::VectorXd x(12), y(12);
    x << .02, .02, .06, .06, .11, .11, .22, .22, .56, .56, 1.10, 1.10;
    y << 76, 47, 97, 107, 123, 139, 159, 152, 191, 201, 207, 200;
    // Vm = 2 m (K + 0.5): the rate at 0.5 is itself a parameter.
    const Profiled turned = profiled({{"m", "K"},
                                      x,
                                      y,
                                      [](double conc, const Eigen::VectorXd& theta, Eigen::VectorXd& slope) {
                                          const double vm = 2.0 * theta[0] * (theta[1] + 0.5), below = theta[1] + conc;
                                          slope[0] = 2.0 * (theta[1] + 0.5) * conc / below;
                                          slope[1] = 2.0 * theta[0] * conc / below - vm * conc / (below * below);
                                          return vm * conc / below;
                                      }},
                                     180.0, 0.05);
    const ProfileInterval drawn = plain.of(rate_at_half(), kT10_95), held = turned.of(parameter(0, "m"), kT10_95);
    EXPECT_NEAR(drawn.estimate, held.estimate, 1e-8 * held.estimate);
    expect_ends(drawn, held.lower, held.upper);
    Quantity by_hand = rate_at_half();
    by_hand.gradient = [](const Eigen::VectorXd& theta) -> Eigen::VectorXd {
        const double below = theta[1] + 0.5;
        return Eigen::Vector2d(0.5 / below, -0.5 * theta[0] / (below * below));
    };
    expect_ends(plain.of(by_hand, kT10_95), held.lower, held.upper);
    by_hand.scale = Transform::log;
    expect_ends(plain.of(by_hand, kT10_95), held.lower, held.upper);
}

TEST(ProfileInterval, GoesWithAnyMonotoneFunctionOfAParameter) {
    const Profiled fit = profiled(puromycin(true), 200.0, 0.05);
    const Quantity falling{"1 / K", "1", [](const Eigen::VectorXd& theta) { return 1.0 / theta[1]; }, 1};
    expect_ends(fit.of(falling, kT10_95), 1.0 / 0.08615691343, 1.0 / 0.04692034204);
    const auto points = fit.of(falling, kT10_95).points;
    for (std::size_t k = 1; k < points.size(); ++k) EXPECT_LE(points[k - 1].value, points[k].value);
}

TEST(ProfileInterval, RecordsPointsOfTheProfile) {
    const Profiled fit = profiled(puromycin(true), 200.0, 0.05);
    const ProfileInterval interval = fit.of(disguised(1, "K"), kT10_95);
    ASSERT_GE(interval.points.size(), 5U);
    Evaluation evaluation;
    fit.objective.evaluate(fit.theta, Curvature::exact, evaluation);
    const double least = evaluation.cost;
    for (const ProfilePoint& point : interval.points) {
        EXPECT_DOUBLE_EQ(point.value, point.theta[1]);
        fit.objective.evaluate(point.theta, Curvature::exact, evaluation);
        // Two costs of about 5, subtracted.
        EXPECT_NEAR(point.deviance, 2.0 * (evaluation.cost - least), 1e-12);
        // Nothing is left to gain at this K: the slope in Vm is 0 (the solver stops within 1e-15 of the cost, which is
        // 1e-7 of the standard error of Vm).
        EXPECT_LT(std::abs(evaluation.gradient[0]) * 7.0, 1e-6);
    }
}

TEST(ProfileInterval, IsAsWideAsItsUnit) {
    // A line is parabolic: ends at -+ sqrt(critical x unit) standard errors.
    Eigen::VectorXd x(5), y(5);
    x << 0, 1, 2, 3, 4;
    y << 0.1, 0.9, 2.2, 2.8, 4.1;
    Profiled line = profiled({{"a", "b"},
                              x,
                              y,
                              [](double at, const Eigen::VectorXd& theta, Eigen::VectorXd& slope) {
                                  slope << 1.0, at;
                                  return theta[0] + theta[1] * at;
                              }},
                             0.0, 0.0);
    Evaluation evaluation;
    line.objective.evaluate(line.theta, Curvature::exact, evaluation);
    const double error = std::sqrt(evaluation.curvature.inverse()(1, 1));
    for (const double unit : {1.0, 0.5, 2.25}) {
        ProfileOptions options;
        options.critical = 4.0;
        options.deviance_unit = unit;
        const ProfileInterval interval = profile_interval(line.objective, line.theta, line.lower, line.upper,
                                                          parameter(1, "b"), std::sqrt(unit) * error, options);
        expect_ends(interval, line.theta[1] - 2.0 * std::sqrt(unit) * error,
                    line.theta[1] + 2.0 * std::sqrt(unit) * error);
    }
}

TEST(ProfileInterval, ABoundOfTheParameterLeavesTheEndOpen) {
    Profiled fit = profiled(bod(), 20.0, 0.5);
    fit.upper[1] = 1.0;
    const ProfileInterval held = fit.of(parameter(1, "r"), kT4_95);
    EXPECT_TRUE(held.upper_open);
    EXPECT_TRUE(std::isnan(held.upper));
    EXPECT_THAT(held.upper_reason, HasSubstr("the parameter's bound 1 is reached at deviance"));
    EXPECT_NEAR(held.lower, 0.1313977467, 1e-8 * 0.13);
    const ProfileInterval drawn = fit.of(disguised(1, "r"), kT4_95);
    EXPECT_TRUE(drawn.upper_open);
    EXPECT_TRUE(std::isnan(drawn.upper));
    EXPECT_THAT(drawn.upper_reason, HasSubstr("the bounds of r stop it"));
    EXPECT_NEAR(drawn.lower, 0.1313977467, 1e-8 * 0.13);
    // A bound beyond the end does not matter.
    fit.upper[1] = 2.0;
    expect_ends(fit.of(parameter(1, "r"), kT4_95), 0.1313977467, 1.808169595);
}

TEST(ProfileInterval, AnEstimateOnItsBoundIsOpenOnThatSide) {
    Profiled fit = profiled(bod(), 20.0, 0.5);
    fit.lower[1] = 0.7;  // above the estimate of 0.53
    const Minimum minimum = levenberg_marquardt(fit.objective, fit.theta, fit.lower, fit.upper, Curvature::exact);
    fit.theta = minimum.theta;
    ASSERT_EQ(minimum.on_bound, std::vector<std::string>{"r"});
    const ProfileInterval interval = fit.of(parameter(1, "r"), kT4_95);
    EXPECT_TRUE(interval.lower_open);
    EXPECT_EQ(interval.estimate, 0.7);
    EXPECT_FALSE(interval.upper_open);
    EXPECT_GT(interval.upper, 1.808169595) << "measured from a higher minimum, the deviance is smaller";
}

TEST(ProfileInterval, SlowGrowthIsNotTakenForALevel) {
    /// Twice the cost is log(1 + theta^2): about 1.4 more for each doubling, for ever.
    class Slow final : public Objective {
    public:
        const std::vector<std::string>& parameter_names() const override { return names_; }
        void evaluate(const Eigen::VectorXd& theta, Curvature, Evaluation& out) const override {
            const double t = theta[0], below = 1.0 + t * t;
            out.cost = 0.5 * std::log(below);
            out.gradient = Eigen::VectorXd::Constant(1, t / below);
            out.curvature = Eigen::MatrixXd::Constant(1, 1, 1.0 / below);
        }

    private:
        std::vector<std::string> names_{"t"};
    };
    const Eigen::VectorXd zero = Eigen::VectorXd::Zero(1), free = Eigen::VectorXd::Constant(1, kInfinity);
    ProfileOptions options;
    options.critical = 25.0;
    const ProfileInterval interval = profile_interval(Slow(), zero, -free, free, parameter(0, "t"), 1.0, options);
    const double end = std::sqrt(std::expm1(25.0));
    expect_ends(interval, -end, end);
    options.max_evaluations = 3;
    EXPECT_THROW(profile_interval(Slow(), zero, -free, free, parameter(0, "t"), 1.0, options), NotConverged);
}

TEST(ProfileInterval, CutsAnEndToTheValuesThatTheQuantityCanHave) {
    const Profiled fit = profiled(puromycin(true), 200.0, 0.05);
    Quantity cut = disguised(0, "Vm");
    cut.least = 200.0;
    expect_ends(fit.of(cut, kT10_95), 200.0, 229.2890551);
}

/// Locations of two clouds of rows under Tukey's loss: two minima.
class TwoClouds final : public Objective {
public:
    const std::vector<std::string>& parameter_names() const override { return names_; }
    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override {
        static const Loss bisquare("bisquare");
        out.cost = 0.0;
        out.gradient.setZero(1);
        out.curvature.setZero(1, 1);
        for (const double y : {-0.5, -0.2, 0.0, 0.2, 0.5, 6.8, 7.0, 7.2}) {
            const LossValue loss = bisquare(y - theta[0]);
            out.cost += loss.rho;
            out.gradient[0] -= loss.psi;
            out.curvature(0, 0) += bend_of(loss, curvature);
        }
    }

private:
    std::vector<std::string> names_{"centre"};
};

TEST(ProfileInterval, RefusesToStartFromTheWrongMinimum) {
    const TwoClouds objective;
    const Eigen::VectorXd free = Eigen::VectorXd::Constant(1, kInfinity);
    const auto from = [&](double start) {
        return levenberg_marquardt(objective, Eigen::VectorXd::Constant(1, start), -free, free, Curvature::exact).theta;
    };
    const Eigen::VectorXd best = from(0.0), other = from(7.0);
    ASSERT_GT(other[0], 6.0);
    ProfileOptions options;
    options.critical = 40.0;  // far enough out to meet the other minimum
    try {
        profile_interval(objective, other, -free, free, parameter(0, "centre"), 0.5, options);
        FAIL() << "a lower minimum was passed over";
    } catch (const NotConverged& error) {
        EXPECT_THAT(error.what(), HasSubstr("lower minimum"));
    }
    // All losses are bounded: far out the cost stands still, below what 40 would need.
    const ProfileInterval open = profile_interval(objective, best, -free, free, parameter(0, "centre"), 0.5, options);
    EXPECT_TRUE(open.lower_open && open.upper_open);
    EXPECT_THROW(profile_interval(objective, best.array() + 0.5, -free, free, parameter(0, "centre"), 0.5, options),
                 NotConverged)
        << "not a minimum at all";
}

TEST(ProfileInterval, StopsWhenInterrupted) {
    const Profiled fit = profiled(puromycin(true), 200.0, 0.05);
    ProfileOptions options;
    int asked = 0;
    options.interrupt = [&] { return ++asked > 5; };
    EXPECT_THROW(profile_interval(fit.objective, fit.theta, fit.lower, fit.upper, parameter(0, "Vm"), 7.0, options),
                 NotConverged);
    EXPECT_EQ(asked, 6);
}

TEST(ProfileInterval, RefusesWhatItCannotDo) {
    const Profiled fit = profiled(puromycin(true), 200.0, 0.05);
    const auto run = [&](const Quantity& quantity, double standard_error, const ProfileOptions& options) {
        return profile_interval(fit.objective, fit.theta, fit.lower, fit.upper, quantity, standard_error, options);
    };
    EXPECT_THROW(run(parameter(0, "Vm"), 0.0, {}), InvalidArgument);
    EXPECT_THROW(run(parameter(0, "Vm"), std::nan(""), {}), InvalidArgument);
    EXPECT_THROW(run(parameter(2, "none"), 1.0, {}), InvalidArgument);
    for (auto spoil :
         {+[](ProfileOptions& o) { o.critical = 0.0; }, +[](ProfileOptions& o) { o.deviance_unit = -1.0; },
          +[](ProfileOptions& o) { o.tolerance = 1.0; }, +[](ProfileOptions& o) { o.max_evaluations = 0; }}) {
        ProfileOptions options;
        spoil(options);
        EXPECT_THROW(run(parameter(0, "Vm"), 7.0, options), InvalidArgument);
    }
    const Quantity none{"none", "1", [](const Eigen::VectorXd&) { return std::nan(""); }};
    EXPECT_THROW(run(none, 1.0, {}), NotFinite);
    EXPECT_THROW(
        profile_interval(fit.objective, Eigen::VectorXd::Zero(3), fit.lower, fit.upper, parameter(0, "Vm"), 7.0, {}),
        InvalidArgument);
}

}  // namespace
}  // namespace lobetime
