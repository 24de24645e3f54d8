#include <lobetime/core/normal.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/fit/noise_law.hpp>

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

namespace lobetime {
namespace {

std::vector<double> normals(std::size_t n, std::uint64_t seed = 3) {
    const CounterRandom random(seed, stable_hash("residuals"));
    std::vector<double> z(n);
    for (std::size_t i = 0; i < n; ++i) z[i] = random.normals(i)[0];
    return z;
}

std::vector<double> skewed(std::size_t n) {
    std::vector<double> u = normals(n);
    for (double& one : u) one += 0.25 * (one * one - 1.0);
    return u;
}

TEST(NoiseLaw, IsTheNormalUntilToldOtherwise) {
    const NoiseLaw law;
    for (const double z : {-5.0, -3.0, -0.3, 0.0, 1.7, 3.0, 4.5}) EXPECT_DOUBLE_EQ(law(z), z);
    EXPECT_EQ(smoothed_law({}, {}, 50.0).at_knot, law.at_knot);
    EXPECT_EQ(smoothed_law({0.4}, {}, 50.0).at_knot, law.at_knot);
}

TEST(NoiseLaw, OfNormalResidualsIsNearTheNormal) {
    const NoiseLaw law = smoothed_law(normals(4000), {}, 50.0);
    // A sample quantile at z = 2 has a standard error of 0.045 here; at 3, of 0.2.
    for (const double z : {-2.0, -1.0, 0.0, 1.0, 2.0}) EXPECT_NEAR(law(z), z, 0.15) << z;
    EXPECT_NEAR(law(3.0), 3.0, 0.6);
}

TEST(NoiseLaw, FollowsASkew) {
    const NoiseLaw law = smoothed_law(skewed(4000), {}, 50.0);
    for (const double z : {-1.5, 0.0, 1.0, 2.0}) EXPECT_NEAR(law(z), z + 0.25 * (z * z - 1.0), 0.2) << z;
}

TEST(NoiseLaw, RisesAlways) {
    for (const std::vector<double>& u : {normals(30), skewed(200), std::vector<double>(40, 0.0)}) {
        const NoiseLaw law = smoothed_law(u, {}, 10.0);
        for (double z = -6.0; z < 6.0; z += 0.05) EXPECT_LT(law(z), law(z + 0.05)) << z;
    }
}

TEST(NoiseLaw, FewCasesLeaveItNearTheNormal) {
    const std::vector<double> few = {2.5, 2.4, 2.6, 2.3, 2.5};
    double farthest_of_few = 0.0, farthest_of_many = 0.0;
    std::vector<double> many;
    for (int k = 0; k < 100; ++k) many.insert(many.end(), few.begin(), few.end());
    const NoiseLaw a = smoothed_law(few, {}, 50.0), b = smoothed_law(many, {}, 50.0);
    for (const double z : {-1.0, 0.0, 1.0}) {
        farthest_of_few = std::max(farthest_of_few, std::abs(a(z) - z));
        farthest_of_many = std::max(farthest_of_many, std::abs(b(z) - z));
    }
    EXPECT_LT(farthest_of_few, 0.5);
    EXPECT_GT(farthest_of_many, 1.0);
}

TEST(NoiseLaw, ATypingErrorIsNoTailARealDelayIs) {
    std::vector<double> u = normals(1000);
    const NoiseLaw clean = smoothed_law(u, {}, 50.0);
    std::vector<double> with_slips = u, with_delays = u;
    for (int k = 0; k < 15; ++k) {
        with_slips.push_back(8.0);
        with_delays.push_back(5.0);
    }
    EXPECT_EQ(smoothed_law(with_slips, {}, 50.0).at_knot, clean.at_knot);
    EXPECT_GT(smoothed_law(with_delays, {}, 50.0)(2.5), clean(2.5) + 1.0);
}

TEST(NoiseLaw, LowerBoundsMoveTheirWeightUp) {
    // The upper half of cases is only known to lie above a bound: without their weight the median would drop.
    std::vector<double> seen, bounds;
    const std::vector<double> all = normals(4000), limit = normals(4000, 4);
    for (std::size_t i = 0; i < all.size(); ++i) {
        if (limit[i] < all[i] && i % 3 == 0)
            bounds.push_back(limit[i]);
        else
            seen.push_back(all[i]);
    }
    const double ignored = smoothed_law(seen, {}, 1.0)(0.0), used = smoothed_law(seen, bounds, 1.0)(0.0);
    EXPECT_LT(ignored, -0.08);
    // Kaplan and Meier's estimate of the median has a standard error of about 0.03 here.
    EXPECT_NEAR(used, 0.0, 0.09);
}

TEST(NoiseLaw, DoesNotDependOnTheOrder) {
    std::vector<double> u = skewed(700);
    const NoiseLaw one = smoothed_law(u, {0.1, -0.4}, 50.0);
    std::reverse(u.begin(), u.end());
    EXPECT_EQ(smoothed_law(u, {-0.4, 0.1}, 50.0).at_knot, one.at_knot);
}

}  // namespace
}  // namespace lobetime
