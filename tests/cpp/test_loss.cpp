#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/fit/loss.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <boost/math/quadrature/gauss_kronrod.hpp>

#include <algorithm>
#include <cmath>
#include <limits>

namespace lobetime {
namespace {

class EveryLoss : public ::testing::TestWithParam<std::string> {
protected:
    Loss loss{GetParam()};
    /// Where the loss has a corner (Huber) or a kink in its slope (bisquare).
    bool near_corner(double u) const { return std::abs(std::abs(u) - loss.tuning()) < 1e-3; }
};

TEST_P(EveryLoss, PsiIsTheDerivativeOfRho) {
    for (double u = -8.0; u <= 8.0; u += 0.0937) {
        if (near_corner(u)) continue;
        constexpr double h = 1e-5;
        // Central difference: error h^2 rho''' / 6 and rounding 1e-16 rho / h, both below 1e-9 here.
        EXPECT_NEAR(loss(u).psi, (loss(u + h).rho - loss(u - h).rho) / (2.0 * h), 2e-9) << u;
    }
}

TEST_P(EveryLoss, SlopeIsTheDerivativeOfPsi) {
    for (double u = -8.0; u <= 8.0; u += 0.0937) {
        if (near_corner(u)) continue;
        constexpr double h = 1e-5;
        EXPECT_NEAR(loss(u).slope, (loss(u + h).psi - loss(u - h).psi) / (2.0 * h), 1e-9) << u;
    }
}

TEST_P(EveryLoss, WeightIsPsiOverResidual) {
    for (double u = -8.0; u <= 8.0; u += 0.0937) EXPECT_NEAR(loss(u).weight * u, loss(u).psi, 1e-14) << u;
    EXPECT_EQ(loss(0.0).weight, 1.0);
}

TEST_P(EveryLoss, IsHalfTheSquareNearZeroWithoutCancellation) {
    for (const double u : {1e-8, 1e-4, 1e-2}) {
        // rho = u^2/2 (1 + O(u^2 / a^2)).
        EXPECT_NEAR(loss(u).rho / (0.5 * u * u), 1.0, u * u + 1e-12) << u;
        EXPECT_NEAR(loss(u).psi / u, 1.0, u * u + 1e-12) << u;
    }
    EXPECT_EQ(loss(0.0).rho, 0.0);
    EXPECT_EQ(loss(0.0).slope, 1.0);
}

TEST_P(EveryLoss, IsEvenAndNeverFalls) {
    double before = 0.0;
    for (double u = 0.0; u <= 20.0; u += 0.05) {
        EXPECT_EQ(loss(u).rho, loss(-u).rho);
        EXPECT_EQ(loss(u).psi, -loss(-u).psi);
        EXPECT_GE(loss(u).rho, before - 1e-15) << u;
        before = loss(u).rho;
    }
}

TEST_P(EveryLoss, InformationFactorIsThatOfTheNormal) {
    using Quadrature = boost::math::quadrature::gauss_kronrod<double, 61>;
    const auto expectation = [&](const auto& f) {
        // Pieces end at the tuning constant, where Huber's slope jumps.
        const double corner = loss.tuning() > 0.0 ? std::min(loss.tuning(), 11.0) : 1.0;
        const auto g = [&](double u) { return f(loss(u)) * normal_pdf(u); };
        return 2.0 *
               (Quadrature::integrate(g, 0.0, corner, 15, 1e-14) + Quadrature::integrate(g, corner, 12.0, 15, 1e-14));
    };
    const double slope = expectation([](const LossValue& v) { return v.slope; });
    const double square = expectation([](const LossValue& v) { return v.psi * v.psi; });
    EXPECT_NEAR(loss.information_factor(), slope / square, 1e-9);
}

TEST_P(EveryLoss, DefaultTuningHasNinetyFivePercentEfficiency) {
    if (GetParam() == "squares") return;  // fully efficient, and without a constant
    using Quadrature = boost::math::quadrature::gauss_kronrod<double, 61>;
    double slope = 0.0, square = 0.0;
    for (const auto& [from, to] : {std::pair{0.0, loss.tuning()}, {loss.tuning(), 12.0}}) {
        slope +=
            2.0 * Quadrature::integrate([&](double u) { return loss(u).slope * normal_pdf(u); }, from, to, 15, 1e-14);
        square += 2.0 * Quadrature::integrate([&](double u) { return loss(u).psi * loss(u).psi * normal_pdf(u); }, from,
                                              to, 15, 1e-14);
    }
    // 1.345 and 4.685 are the usual three-decimal constants: their efficiency is 0.95 to 1e-4.
    EXPECT_NEAR(slope * slope / square, 0.95, 1e-4);
}

TEST_P(EveryLoss, SurvivesHugeResiduals) {
    for (const double u : {1e6, 1e100}) {
        const LossValue value = loss(u);
        EXPECT_TRUE(std::isfinite(value.rho)) << u;
        EXPECT_TRUE(std::isfinite(value.psi)) << u;
        EXPECT_TRUE(std::isfinite(value.slope)) << u;
        EXPECT_GE(value.weight, 0.0) << u;
    }
    EXPECT_TRUE(std::isnan(loss(std::nan("")).rho)) << "a blank must not look like a perfect fit";
}

TEST_P(EveryLoss, OfManyResidualsIsThatOfEach) {
    std::vector<double> u;
    for (double x = -12.0; x <= 12.0; x += 0.01) u.push_back(x);
    u.insert(u.end(), {0.0, loss.tuning(), -loss.tuning(), 1e100, -1e100});
    std::vector<double> rho(u.size()), psi(u.size()), weight(u.size()), slope(u.size());
    loss(u, rho, psi, weight, slope);
    for (std::size_t i = 0; i < u.size(); ++i) {
        const LossValue one = loss(u[i]);
        EXPECT_DOUBLE_EQ(rho[i], one.rho) << u[i];
        EXPECT_DOUBLE_EQ(psi[i], one.psi) << u[i];
        EXPECT_DOUBLE_EQ(weight[i], one.weight) << u[i];
        EXPECT_DOUBLE_EQ(slope[i], one.slope) << u[i];
    }
}

INSTANTIATE_TEST_SUITE_P(Names, EveryLoss, ::testing::ValuesIn(Loss::names()),
                         [](const auto& one) { return one.param; });

// RAN (R 4.2.2, MASS 7.3-58.2, psi.huber and psi.bisquare; weights at these residuals). Printed to 12 digits.
TEST(Loss, WeightsOfHuberAndBisquareMatchMass) {
    const Loss huber("huber");
    EXPECT_NEAR(huber(2.0).weight, 0.6725, 1e-12);
    EXPECT_NEAR(huber(3.0).weight, 0.448333333333, 1e-12);
    EXPECT_NEAR(huber(5.0).weight, 0.269, 1e-12);
    const Loss bisquare("bisquare");
    EXPECT_NEAR(bisquare(0.5).weight, 0.977349882784, 1e-12);
    EXPECT_NEAR(bisquare(1.0).weight, 0.910956295503, 1e-12);
    EXPECT_NEAR(bisquare(2.0).weight, 0.668733411889, 1e-12);
    EXPECT_NEAR(bisquare(3.0).weight, 0.348056038788, 1e-12);
    EXPECT_NEAR(bisquare(4.0).weight, 0.073465325586, 1e-12);
    EXPECT_EQ(bisquare(4.685).weight, 0.0);
    EXPECT_EQ(bisquare(50.0).weight, 0.0);
}

TEST(Loss, OneCaseCanPullOnlySoMuch) {
    for (const auto& name : Loss::names()) {
        if (name == "squares") continue;
        const Loss loss(name);
        double most = 0.0;
        for (double u = 0.0; u < 100.0; u += 0.01) most = std::max(most, loss(u).psi);
        EXPECT_LE(most, loss.tuning()) << name;
    }
}

TEST(Loss, KnowsWhichOnesRedescend) {
    EXPECT_FALSE(Loss("squares").redescending());
    EXPECT_FALSE(Loss("huber").redescending());
    EXPECT_FALSE(Loss("soft_l1").redescending());
    EXPECT_TRUE(Loss("cauchy").redescending());
    EXPECT_TRUE(Loss("bisquare").redescending());
    EXPECT_EQ(Loss().name(), "bisquare");
}

TEST(Loss, AnyTuningScalesTheResidual) {
    // rho_a(u) = a^2 rho_1(u / a) for each of the robust ones.
    for (const auto& name : Loss::names()) {
        if (name == "squares") continue;
        const Loss one(name, 1.0), wide(name, 3.0);
        for (const double u : {0.3, 1.0, 2.9, 7.0})
            EXPECT_NEAR(wide(u).rho, 9.0 * one(u / 3.0).rho, 1e-12) << name << u;
    }
    EXPECT_EQ(Loss("huber", 0.0).tuning(), 1.345);
    EXPECT_EQ(Loss("huber", -2.0).tuning(), 1.345);
}

TEST(Loss, RefusesUnknownNamesAndTunings) {
    try {
        Loss("tukey");
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        for (const auto& name : Loss::names()) EXPECT_THAT(error.what(), ::testing::HasSubstr(name));
        EXPECT_THAT(error.what(), ::testing::HasSubstr("tukey"));
    }
    EXPECT_THROW(Loss("huber", std::numeric_limits<double>::quiet_NaN()), InvalidArgument);
    EXPECT_THROW(Loss("huber", std::numeric_limits<double>::infinity()), InvalidArgument);
}

}  // namespace
}  // namespace lobetime
