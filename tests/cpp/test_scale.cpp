#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/scale.hpp>

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace lobetime {
namespace {

const std::vector<ScaleMethod> kComputed = {ScaleMethod::sd, ScaleMethod::mad, ScaleMethod::proposal2,
                                            ScaleMethod::m_scale, ScaleMethod::reweighted};

/// The normal itself, as its own quantiles: no sampling error.
std::vector<double> normal_quantiles(std::size_t n, double sd = 1.0) {
    std::vector<double> r(n);
    for (std::size_t i = 0; i < n; ++i)
        r[i] = sd * normal_quantile((static_cast<double>(i) + 0.5) / static_cast<double>(n));
    return r;
}

std::vector<double> normal_sample(std::size_t n, std::uint64_t seed) {
    const CounterRandom random(seed, 0);
    std::vector<double> r(n);
    for (std::size_t i = 0; i < n; ++i) r[i] = random.normals(i / 4)[i % 4];
    return r;
}

class EveryScale : public ::testing::TestWithParam<ScaleMethod> {};

TEST_P(EveryScale, IsTheStandardDeviationOfANormal) {
    // Mid-quantiles lose a little of the tail: below 2e-4 at 20,001 points, most for sd.
    EXPECT_NEAR(robust_scale(normal_quantiles(20001, 2.5), GetParam()), 2.5, 2.5 * 2e-4);
}

TEST_P(EveryScale, GrowsWithTheUnitAndForgetsTheSign) {
    const std::vector<double> r = normal_sample(101, 5);
    const double scale = robust_scale(r, GetParam(), 3.0);
    for (const double factor : {1e-6, 60.0, 1e9}) {
        std::vector<double> scaled = r;
        for (double& x : scaled) x *= -factor;
        EXPECT_NEAR(robust_scale(scaled, GetParam(), 3.0) / (factor * scale), 1.0, 1e-11) << factor;
    }
}

TEST_P(EveryScale, DoesNotDependOnTheStart) {
    const std::vector<double> r = normal_sample(200, 6);
    const double scale = robust_scale(r, GetParam(), 2.0);
    for (const double start : {1e-3, 0.3, 4.0, 1e3})
        EXPECT_NEAR(robust_scale(r, GetParam(), 2.0, start), scale, 1e-10 * scale) << start;
}

TEST_P(EveryScale, DoesNotDependOnTheOrder) {
    std::vector<double> r = normal_sample(77, 7);
    const double scale = robust_scale(r, GetParam());
    std::reverse(r.begin(), r.end());
    EXPECT_NEAR(robust_scale(r, GetParam()), scale, 1e-13 * scale);
}

TEST_P(EveryScale, IsZeroWhenAllResidualsAre) {
    EXPECT_EQ(robust_scale(std::vector<double>(10, 0.0), GetParam()), 0.0);
    EXPECT_EQ(robust_scale(std::vector<double>(10, 0.0), GetParam(), 2.0, 1.0), 0.0);
}

TEST_P(EveryScale, RefusesAnEmptyList) { EXPECT_THROW(robust_scale({}, GetParam()), InvalidArgument); }

TEST_P(EveryScale, HasAnEfficiencyNearWhatSimulationGives) {
    constexpr int replicates = 1000;
    double own = 0.0, own2 = 0.0, sd = 0.0, sd2 = 0.0;
    for (int k = 0; k < replicates; ++k) {
        const auto r = normal_sample(200, 1000 + static_cast<std::uint64_t>(k));
        const double a = std::log(robust_scale(r, GetParam())), b = std::log(robust_scale(r, ScaleMethod::sd));
        own += a, own2 += a * a, sd += b, sd2 += b * b;
    }
    const double n = replicates;
    const double ratio = (sd2 - sd * sd / n) / (own2 - own * own / n);
    // A ratio of two dependent variances from 1,000 replicates: relative standard error below 5 %.
    EXPECT_NEAR(ratio, scale_efficiency(GetParam()), 0.15 * ratio);
}

INSTANTIATE_TEST_SUITE_P(Methods, EveryScale, ::testing::ValuesIn(kComputed),
                         [](const auto& one) { return std::string(scale_method_name(one.param)); });

TEST(Scale, RobustOnesBoundWhatGrossErrorsDo) {
    for (const ScaleMethod method : {ScaleMethod::mad, ScaleMethod::m_scale, ScaleMethod::reweighted}) {
        std::vector<double> r = normal_quantiles(200);
        const double clean = robust_scale(r, method);
        for (std::size_t i = 0; i < 90; ++i) r[2 * i] = 1e12;  // 45 %, below the breakdown point of 50 %
        EXPECT_LT(robust_scale(r, method), 8.0 * clean) << scale_method_name(method);
        for (std::size_t i = 0; i < 110; ++i) r[i] = 1e12;
        EXPECT_GT(robust_scale(r, method), 1e6) << scale_method_name(method) << " beyond the breakdown point";
    }
    std::vector<double> r = normal_quantiles(200);
    r[3] = 1e12;
    EXPECT_GT(robust_scale(r, ScaleMethod::sd), 1e10);
    EXPECT_LT(robust_scale(r, ScaleMethod::proposal2), 1.1);
}

TEST(Scale, ReweightedForgetsGrossErrorsAltogether) {
    std::vector<double> r = normal_quantiles(1000);
    const double clean = robust_scale(r, ScaleMethod::reweighted);
    for (int i = 0; i < 50; ++i) r.push_back(1000.0);
    // 5 % gross errors move only the M-scale that the weights start from.
    EXPECT_NEAR(robust_scale(r, ScaleMethod::reweighted), clean, 0.05 * clean);
}

TEST(Scale, MadIsTheMedianOverItsConstant) {
    EXPECT_DOUBLE_EQ(robust_scale(std::vector<double>{-3.0, 1.0, 2.0}, ScaleMethod::mad), 2.0 / kMadConstant);
    EXPECT_DOUBLE_EQ(robust_scale(std::vector<double>{-3.0, 1.0, 2.0, 10.0}, ScaleMethod::mad), 2.5 / kMadConstant);
    EXPECT_DOUBLE_EQ(robust_scale(std::vector<double>{4.0}, ScaleMethod::mad), 4.0 / kMadConstant);
}

TEST(Scale, SdTakesParametersOff) {
    EXPECT_DOUBLE_EQ(robust_scale(std::vector<double>{3.0, 4.0, 0.0}, ScaleMethod::sd, 1.0), std::sqrt(25.0 / 2.0));
}

TEST(Scale, Proposal2SolvesItsEquation) {
    const double k = kProposal2Tuning;
    const double inside = 2.0 * normal_cdf(k) - 1.0;
    const double expected = inside + k * k * (1.0 - inside) - 2.0 * k * normal_pdf(k);
    std::vector<double> r = normal_sample(50, 9);
    r[0] = 30.0;
    const double s = robust_scale(r, ScaleMethod::proposal2, 4.0);
    double sum = 0.0;
    for (const double x : r) sum += std::min(x * x, k * k * s * s);
    EXPECT_NEAR(sum / (46.0 * expected * s * s), 1.0, 1e-11);
}

TEST(Scale, Proposal2SolvesItsEquationWhenMostResidualsAreZero) {
    // Rounded minutes: 55 of 100 residuals are 0, the equation still has a positive solution.
    std::vector<double> r = normal_sample(100, 10);
    for (std::size_t i = 0; i < 55; ++i) r[i] = 0.0;
    EXPECT_GT(robust_scale(r, ScaleMethod::proposal2), 0.1);
}

TEST(Scale, MScaleSolvesItsEquation) {
    std::vector<double> r = normal_sample(60, 11);
    r[1] = -500.0;
    const double s = robust_scale(r, ScaleMethod::m_scale);
    const Loss loss("bisquare", kMScaleTuning);
    double mean = 0.0;
    for (const double x : r) mean += loss(x / s).rho / (kMScaleTuning * kMScaleTuning / 6.0) / 60.0;
    EXPECT_NEAR(mean, 0.5, 1e-12);
}

TEST(Scale, MadAndMScaleAreZeroWhenHalfOfTheResidualsAre) {
    for (const double start : {0.0, 1.0}) {
        for (const std::size_t n : {std::size_t{10}, std::size_t{11}}) {
            std::vector<double> r(n, 0.0);
            for (std::size_t i = 0; i < n / 2; ++i) r[i] = 1.0 + static_cast<double>(i);
            EXPECT_EQ(robust_scale(r, ScaleMethod::m_scale, 0.0, start), 0.0) << n << " from " << start;
            if (n % 2 == 1) {
                EXPECT_EQ(robust_scale(r, ScaleMethod::mad, 0.0, start), 0.0);
            }
        }
    }
}

/// Brownlee's stack loss plant, 21 days: air flow, water temperature, acid concentration, loss.
constexpr std::array<std::array<double, 4>, 21> kStackLoss = {
    {{80, 27, 89, 42}, {80, 27, 88, 37}, {75, 25, 90, 37}, {62, 24, 87, 28}, {62, 22, 87, 18}, {62, 23, 87, 18},
     {62, 24, 93, 19}, {62, 24, 93, 20}, {58, 23, 87, 15}, {58, 18, 80, 14}, {58, 18, 89, 14}, {58, 17, 88, 13},
     {58, 18, 82, 11}, {58, 19, 93, 12}, {50, 18, 89, 8},  {50, 18, 86, 7},  {50, 19, 72, 8},  {50, 19, 79, 8},
     {50, 20, 80, 9},  {56, 20, 82, 15}, {70, 20, 91, 15}}};

std::vector<double> stack_loss_residuals(const std::array<double, 4>& b) {
    std::vector<double> r;
    for (const auto& row : kStackLoss) r.push_back(row[3] - b[0] - b[1] * row[0] - b[2] * row[1] - b[3] * row[2]);
    return r;
}

// RAN: R 4.2.2, MASS 7.3-58.2, rlm(stack.loss ~ ., scale.est = "proposal 2"); its equation is ours, n - p = 17.
// Coefficients are printed to nine decimals, times values up to 93: 1e-7.
TEST(Scale, Proposal2OfTheStackLossFitMatchesMass) {
    const auto r = stack_loss_residuals({-41.140878413, 0.816732448, 0.983794408, -0.131433293});
    EXPECT_NEAR(robust_scale(r, ScaleMethod::proposal2, 4.0), 2.855132720, 3e-7);
}

// RAN: statsmodels 0.13.5, RLM with HuberT(1.345) and the MAD about 0 over 0.67448975; tolerance as above.
TEST(Scale, MadOfTheStackLossFitMatchesStatsmodels) {
    const auto r = stack_loss_residuals({-41.026498352, 0.829384335, 0.926065966, -0.127846725});
    EXPECT_NEAR(robust_scale(r, ScaleMethod::mad, 4.0), 2.440536092, 3e-7);
}

TEST(Scale, NamesGoBothWaysAndUnknownOnesAreRefused) {
    for (const ScaleMethod method : kComputed) EXPECT_EQ(scale_method_from_name(scale_method_name(method)), method);
    EXPECT_EQ(scale_method_from_name("fixed"), ScaleMethod::fixed);
    try {
        scale_method_from_name("iqr");
        FAIL() << "accepted";
    } catch (const InvalidArgument& error) {
        EXPECT_THAT(error.what(), ::testing::AllOf(::testing::HasSubstr("iqr"), ::testing::HasSubstr("m_scale")));
    }
    EXPECT_THROW(robust_scale(std::vector<double>{1.0}, ScaleMethod::fixed), InvalidArgument);
}

TEST(Scale, ConstantsAreWhatTheySayTheyAre) {
    EXPECT_NEAR(kMadConstant, normal_quantile(0.75), 1e-15);
    // 1.547645 is the root of E[rho / top] = 1/2 at the standard normal; trapezoid of a smooth function, 1e-10.
    const Loss loss("bisquare", kMScaleTuning);
    double mean = 0.0;
    constexpr double h = 1e-4;
    for (int i = -100000; i <= 100000; ++i)
        mean += loss(h * i).rho / (kMScaleTuning * kMScaleTuning / 6.0) * normal_pdf(h * i) * h;
    EXPECT_NEAR(mean, 0.5, 1e-9);
}

TEST(ReweightedFrom, IsTheReweightedScaleFromTheMScale) {
    const std::vector<double> r = normal_sample(300, 5);
    EXPECT_DOUBLE_EQ(reweighted_from(r, robust_scale(r, ScaleMethod::m_scale)),
                     robust_scale(r, ScaleMethod::reweighted));
}

TEST(ReweightedFrom, StaysWhereWrongOnesHaveNoWeightAndGrowsWhereNothingHas) {
    std::vector<double> r = normal_quantiles(601);
    for (std::size_t i = 0; i < 400; ++i) r.push_back(20.0);  // four in ten, at which an M-scale is twice too large
    EXPECT_NEAR(reweighted_from(r, 1.0), 1.0, 0.01);
    EXPECT_GT(robust_scale(r, ScaleMethod::m_scale), 1.5);
    const double limit = reweighted_from(std::vector<double>{5.0, -6.0}, 1.0);
    EXPECT_NEAR(limit, reweighted_from(std::vector<double>{4.6849, -6.0}, 1.0), 1e-3);
    EXPECT_GT(limit, 4.685);
}

}  // namespace
}  // namespace lobetime
