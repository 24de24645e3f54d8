#include <lobetime/core/jet.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/mean_model.hpp>

#include "eigen_matchers.hpp"

#include <ceres/jet.h>
#include <gtest/gtest.h>

#include <cmath>
#include <vector>

namespace lobetime {
namespace {

using lobetime::testing::EigenIdentical;
using lobetime::testing::EigenNear;

constexpr int kParameters = 3;
using Batched = BatchedJet<kParameters>;
using Single = ceres::Jet<double, kParameters>;

/// A few roundings of functions that each are right to an ulp or two.
constexpr double kRounding = 1e-14;

/// `f(a, b, x)` of two jets and a number for each row, against ceres::Jet row by row; a, b, x lie in (0.2, 2.2).
template <typename F>
void expect_as_ceres(const char* name, const F& f) {
    SCOPED_TRACE(name);
    const CounterRandom random(11, 12);
    std::uint64_t next = 0;
    const auto draw = [&] { return 0.2 + 2.0 * random.uniforms(next++)[0]; };
    Batched a, b;
    Pack x;
    for (int i = 0; i < kBatch; ++i) {
        a.value[i] = draw();
        b.value[i] = draw();
        x[i] = draw();
        for (int j = 0; j < kParameters; ++j) {
            a.slope(i, j) = draw() - 1.2;
            b.slope(i, j) = draw() - 1.2;
        }
    }
    const Batched found = f(a, b, x);
    for (int i = 0; i < kBatch; ++i) {
        const Single expected = f(Single(a.value[i], a.slope.row(i).transpose().matrix()),
                                  Single(b.value[i], b.slope.row(i).transpose().matrix()), x[i]);
        EXPECT_NEAR(found.value[i], expected.a, kRounding * (1.0 + std::abs(expected.a)));
        EXPECT_THAT(Eigen::MatrixXd(found.slope.row(i).transpose().matrix()),
                    EigenNear(Eigen::MatrixXd(expected.v), kRounding * (1.0 + expected.v.norm()), 0.0));
    }
}

TEST(BatchedJet, ArithmeticIsThatOfCeres) {
    expect_as_ceres("-a", [](const auto& a, const auto&, const auto&) { return -a; });
    expect_as_ceres("a + b", [](const auto& a, const auto& b, const auto&) { return a + b; });
    expect_as_ceres("a - b", [](const auto& a, const auto& b, const auto&) { return a - b; });
    expect_as_ceres("a * b", [](const auto& a, const auto& b, const auto&) { return a * b; });
    expect_as_ceres("a / b", [](const auto& a, const auto& b, const auto&) { return a / b; });
    expect_as_ceres("in place", [](auto a, const auto& b, const auto&) {
        a += b;
        a *= b;
        a -= 3.0 * b;
        a /= b;
        return a;
    });
}

TEST(BatchedJet, ArithmeticWithANumber) {
    expect_as_ceres("a + 2", [](const auto& a, const auto&, const auto&) { return a + 2.0; });
    expect_as_ceres("2 + a", [](const auto& a, const auto&, const auto&) { return 2.0 + a; });
    expect_as_ceres("a - 2", [](const auto& a, const auto&, const auto&) { return a - 2.0; });
    expect_as_ceres("2 - a", [](const auto& a, const auto&, const auto&) { return 2.0 - a; });
    expect_as_ceres("a * 2", [](const auto& a, const auto&, const auto&) { return a * 2.0; });
    expect_as_ceres("2 * a", [](const auto& a, const auto&, const auto&) { return 2.0 * a; });
    expect_as_ceres("a / 2", [](const auto& a, const auto&, const auto&) { return a / 2.0; });
    expect_as_ceres("2 / a", [](const auto& a, const auto&, const auto&) { return 2.0 / a; });
}

TEST(BatchedJet, ArithmeticWithANumberForEachRow) {
    expect_as_ceres("a + x", [](const auto& a, const auto&, const auto& x) { return a + x; });
    expect_as_ceres("x + a", [](const auto& a, const auto&, const auto& x) { return x + a; });
    expect_as_ceres("a - x", [](const auto& a, const auto&, const auto& x) { return a - x; });
    expect_as_ceres("x - a", [](const auto& a, const auto&, const auto& x) { return x - a; });
    expect_as_ceres("a * x", [](const auto& a, const auto&, const auto& x) { return a * x; });
    expect_as_ceres("x * a", [](const auto& a, const auto&, const auto& x) { return x * a; });
    expect_as_ceres("a / x", [](const auto& a, const auto&, const auto& x) { return a / x; });
    expect_as_ceres("x / a", [](const auto& a, const auto&, const auto& x) { return x / a; });
}

TEST(BatchedJet, FunctionsAreThoseOfCeres) {
    expect_as_ceres("exp", [](const auto& a, const auto&, const auto&) { return exp(a); });
    expect_as_ceres("log", [](const auto& a, const auto&, const auto&) { return log(a); });
    expect_as_ceres("sqrt", [](const auto& a, const auto&, const auto&) { return sqrt(a); });
    expect_as_ceres("sin", [](const auto& a, const auto&, const auto&) { return sin(a); });
    expect_as_ceres("cos", [](const auto& a, const auto&, const auto&) { return cos(a); });
    expect_as_ceres("atan", [](const auto& a, const auto&, const auto&) { return atan(a); });
    expect_as_ceres("tanh", [](const auto& a, const auto&, const auto&) { return tanh(a); });
    expect_as_ceres("erfc", [](const auto& a, const auto&, const auto&) { return erfc(a); });
    expect_as_ceres("atan2", [](const auto& a, const auto& b, const auto&) { return atan2(a, b); });
    expect_as_ceres("atan2, x < 0", [](const auto& a, const auto& b, const auto&) { return atan2(a, -b); });
    expect_as_ceres("pow 1.7", [](const auto& a, const auto&, const auto&) { return pow(a, 1.7); });
    expect_as_ceres("pow -2", [](const auto& a, const auto&, const auto&) { return pow(a, -2.0); });
    expect_as_ceres("pow of two jets", [](const auto& a, const auto& b, const auto&) { return pow(a, b); });
    expect_as_ceres("pow of a row's number", [](const auto& a, const auto&, const auto& x) { return pow(x, a); });
    expect_as_ceres("all together", [](const auto& a, const auto& b, const auto& x) {
        return a * exp(-b * x) / (1.0 + sqrt(a + x)) - log(b) * tanh(a - b) + pow(a + 1.0, b);
    });
}

TEST(BatchedJet, ConstantsHaveNoSlope) {
    const Batched number(3.5), rows(Pack::LinSpaced(0.0, 7.0));
    EXPECT_TRUE((number.value == 3.5).all());
    EXPECT_TRUE((number.slope == 0.0).all());
    EXPECT_EQ(rows.value[7], 7.0);
    EXPECT_TRUE((rows.slope == 0.0).all());
    const Batched parameter = Batched::parameter(2.0, 1);
    EXPECT_TRUE((parameter.value == 2.0).all());
    EXPECT_TRUE((parameter.slope.col(1) == 1.0).all());
    EXPECT_EQ(parameter.slope.sum(), kBatch);
}

struct Decay {
    static constexpr int parameters = 3;
    template <typename T, typename X>
    T operator()(const T* b, const X* x) const {
        return b[0] + b[1] * exp(-b[2] * x[0]) * x[1];
    }
};

/// Numbers of rows below, at and above the batch, and not a multiple of it.
class MeanModelRows : public ::testing::TestWithParam<Eigen::Index> {};

TEST_P(MeanModelRows, EveryRowIsEvaluatedOnce) {
    const Eigen::Index n = GetParam();
    Eigen::MatrixXd x(n, 2);
    x.col(0) = Eigen::VectorXd::LinSpaced(n, 0.1, 3.0);
    x.col(1) = Eigen::VectorXd::LinSpaced(n, 2.0, -1.0);
    const MeanModel mean = mean_model(Decay{}, x);
    EXPECT_EQ(mean.rows, n);
    EXPECT_EQ(mean.parameters, 3);
    EXPECT_TRUE(mean.parallel);
    const Eigen::Vector3d theta(0.4, 1.5, 0.8);
    Eigen::VectorXd fitted;
    Eigen::MatrixXd jacobian;
    mean.evaluate(theta, fitted, jacobian);
    const Eigen::ArrayXd decay = (-theta[2] * x.col(0).array()).exp() * x.col(1).array();
    Eigen::MatrixXd expected(n, 3);
    expected.col(0).setOnes();
    expected.col(1) = decay;
    expected.col(2) = -theta[1] * x.col(0).array() * decay;
    EXPECT_THAT(fitted, EigenNear(Eigen::VectorXd(theta[0] + theta[1] * decay), kRounding, kRounding));
    EXPECT_THAT(jacobian, EigenNear(expected, kRounding, kRounding));
}

TEST_P(MeanModelRows, SomeRowsAreTheSameNumbers) {
    const Eigen::Index n = GetParam();
    Eigen::MatrixXd x(n, 2);
    x.col(0) = Eigen::VectorXd::LinSpaced(n, 0.1, 3.0);
    x.col(1) = Eigen::VectorXd::LinSpaced(n, 2.0, -1.0);
    const MeanModel mean = mean_model(Decay{}, x);
    const std::vector<int> chosen = {static_cast<int>(n) - 1, 0, static_cast<int>(n) / 2};
    const MeanModel some = mean.subset(chosen);
    EXPECT_EQ(some.rows, 3);
    const Eigen::Vector3d theta(0.4, 1.5, 0.8);
    Eigen::VectorXd all, few;
    Eigen::MatrixXd all_slopes, few_slopes;
    mean.evaluate(theta, all, all_slopes);
    some.evaluate(theta, few, few_slopes);
    EXPECT_THAT(few, EigenIdentical(Eigen::VectorXd(all(chosen))));
    EXPECT_THAT(few_slopes, EigenIdentical(Eigen::MatrixXd(all_slopes(chosen, Eigen::all))));
}

INSTANTIATE_TEST_SUITE_P(Rows, MeanModelRows, ::testing::Values(1, 7, 8, 9, 16, 61));

}  // namespace
}  // namespace lobetime
