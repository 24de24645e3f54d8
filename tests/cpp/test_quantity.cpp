#include <lobetime/core/errors.hpp>
#include <lobetime/inference/quantity.hpp>

#include "eigen_matchers.hpp"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

namespace lobetime {
namespace {

using lobetime::testing::EigenNear;
using ::testing::HasSubstr;

const Eigen::Vector3d kTheta(0.4, -1.2, 2.0);
const Eigen::Vector3d kStep(1e-5, 1e-5, 1e-5);

Quantity product() {
    return {"product", "1", [](const Eigen::VectorXd& t) { return std::exp(t[0]) * t[1] * t[1] + std::sin(t[2]); }};
}

Eigen::Vector3d product_gradient(const Eigen::VectorXd& t) {
    return {std::exp(t[0]) * t[1] * t[1], 2.0 * std::exp(t[0]) * t[1], std::cos(t[2])};
}

TEST(GradientOf, IsTheDerivative) {
    // Central differences: step^2 = 1e-10 of truncation, 1e-16 / 1e-5 of rounding.
    EXPECT_THAT(gradient_of(product(), kTheta, kStep), EigenNear(Eigen::VectorXd(product_gradient(kTheta)), 1e-9, 0.0));
    Quantity own = product();
    own.gradient = [](const Eigen::VectorXd& t) -> Eigen::VectorXd { return product_gradient(t); };
    EXPECT_THAT(gradient_of(own, kTheta, kStep), EigenNear(Eigen::VectorXd(product_gradient(kTheta)), 0.0, 0.0));
}

TEST(GradientOf, LooksAtOneParameterOnlyWhereThereIsOne) {
    int calls = 0;
    const Quantity one{"one", "1",
                       [&](const Eigen::VectorXd& t) {
                           ++calls;
                           return 3.0 * t[1];
                       },
                       1};
    EXPECT_THAT(gradient_of(one, kTheta, kStep), EigenNear(Eigen::VectorXd(Eigen::Vector3d(0.0, 3.0, 0.0)), 1e-9, 0.0));
    EXPECT_EQ(calls, 2);
}

TEST(GradientOf, RefusesWhatHasNone) {
    const Quantity root{"root", "1", [](const Eigen::VectorXd& t) { return std::sqrt(t[1]); }};
    try {
        gradient_of(root, kTheta, kStep);
        FAIL();
    } catch (const NotFinite& error) {
        EXPECT_THAT(error.what(), HasSubstr("root"));
    }
    EXPECT_THROW(gradient_of(product(), kTheta, Eigen::VectorXd::Zero(2)), InvalidArgument);
    Quantity wrong = product();
    wrong.gradient = [](const Eigen::VectorXd&) -> Eigen::VectorXd { return Eigen::VectorXd::Zero(2); };
    EXPECT_THROW(gradient_of(wrong, kTheta, kStep), InvalidArgument);
}

Eigen::MatrixXd covariance() {
    Eigen::MatrixXd c(3, 3);
    c << 0.04, 0.01, 0.0, 0.01, 0.09, -0.02, 0.0, -0.02, 0.16;
    return c;
}

TEST(DeltaInterval, IsItsFormulaOnBothScales) {
    const Eigen::Vector3d d = product_gradient(kTheta);
    const double value = product().value(kTheta), error = std::sqrt(d.dot(covariance() * d));
    const Interval plain = delta_interval(product(), kTheta, covariance(), 1.96);
    EXPECT_EQ(plain.estimate, value);
    EXPECT_NEAR(plain.lower, value - 1.96 * error, 1e-7 * error);  // differences over 1e-4 standard errors
    EXPECT_NEAR(plain.upper, value + 1.96 * error, 1e-7 * error);
    Quantity positive = product();
    positive.scale = Transform::log;
    const Interval ratio = delta_interval(positive, kTheta, covariance(), 1.96);
    EXPECT_EQ(ratio.estimate, value);
    EXPECT_NEAR(ratio.lower, value * std::exp(-1.96 * error / value), 1e-7 * error);
    EXPECT_NEAR(ratio.upper, value * std::exp(1.96 * error / value), 1e-6 * error);
    EXPECT_FALSE(plain.lower_open || plain.upper_open || ratio.lower_open || ratio.upper_open);
}

TEST(DeltaInterval, IsCutToTheValuesThatTheQuantityCanHave) {
    Quantity cut = product();
    cut.least = product().value(kTheta) - 0.1;
    cut.most = product().value(kTheta) - 0.05;  // the estimate itself lies beyond
    const Interval interval = delta_interval(cut, kTheta, covariance(), 1.96);
    EXPECT_EQ(interval.estimate, cut.most);
    EXPECT_EQ(interval.lower, cut.least);
    EXPECT_EQ(interval.upper, cut.most);
}

TEST(DeltaInterval, IsOpenWhereThereIsNoDerivative) {
    const Quantity log_of{
        "log", "1", [](const Eigen::VectorXd& t) { return std::log(t[0]); }, -1, true, Transform::identity, 0.0};
    const Interval interval = delta_interval(log_of, Eigen::Vector3d::Zero(), covariance(), 1.96);
    EXPECT_EQ(interval.estimate, 0.0) << "log 0, cut";
    EXPECT_TRUE(interval.lower_open && interval.upper_open);
    EXPECT_TRUE(std::isnan(interval.lower) && std::isnan(interval.upper));
    Quantity positive = product();
    positive.scale = Transform::log;
    const Eigen::Vector3d negative(0.0, 0.0, -1.0);
    EXPECT_THROW(delta_standard_error(positive, negative, covariance()), NotFinite);
    EXPECT_THROW(delta_standard_error(product(), kTheta, Eigen::MatrixXd::Identity(2, 2)), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
