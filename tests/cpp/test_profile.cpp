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

}  // namespace
}  // namespace lobetime
