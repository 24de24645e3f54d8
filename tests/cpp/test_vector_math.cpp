#include <lobetime/core/random.hpp>

#include "core/vector_math.hpp"

#include <gtest/gtest.h>
#include <boost/math/special_functions/erf.hpp>

#include <cmath>
#include <limits>

namespace lobetime {
namespace {

constexpr double kInfinite = std::numeric_limits<double>::infinity();
constexpr int kPoints = 200'000;

/// `at(k)`: point k. The largest relative error against `truth`, which has 64 bits.
template <typename At, typename Ours, typename Truth>
double largest_relative_error(At at, Ours ours, Truth truth) {
    double largest = 0.0;
    for (int k = 0; k < kPoints; ++k) {
        const double x = at(k);
        const long double t = truth(static_cast<long double>(x));
        largest = std::max(largest, static_cast<double>(std::abs((ours(x) - t) / t)));
    }
    return largest;
}

double uniform(int k, double low, double high) {
    return low + (high - low) * CounterRandom(41, 42).uniforms(static_cast<std::uint64_t>(k))[0];
}

TEST(VectorMath, ExpIsExp) {
    const auto ours = [](double x) { return vector_math::exp(x); };
    const auto truth = [](long double x) { return std::exp(x); };
    EXPECT_LT(largest_relative_error([](int k) { return uniform(k, -707.0, 709.0); }, ours, truth), 3e-16);
    EXPECT_LT(largest_relative_error([](int k) { return uniform(k, -1.0, 1.0); }, ours, truth), 3e-16);
    EXPECT_EQ(vector_math::exp(0.0), 1.0);
    EXPECT_EQ(vector_math::exp(-kInfinite), 0.0);
    EXPECT_EQ(vector_math::exp(-709.0), 0.0);
    EXPECT_EQ(vector_math::exp(kInfinite), kInfinite);
    EXPECT_EQ(vector_math::exp(710.0), kInfinite);
    EXPECT_TRUE(std::isnan(vector_math::exp(std::nan(""))));
}

TEST(VectorMath, LogIsLog) {
    const auto ours = [](double x) { return vector_math::log(x); };
    const auto truth = [](long double x) { return std::log(x); };
    EXPECT_LT(largest_relative_error([](int k) { return std::exp(uniform(k, -740.0, 709.0)); }, ours, truth), 3e-16);
    EXPECT_LT(largest_relative_error([](int k) { return uniform(k, 0.5, 2.0); }, ours, truth), 3e-16);
    EXPECT_EQ(vector_math::log(1.0), 0.0);
    EXPECT_EQ(vector_math::log(0.0), -kInfinite);
    EXPECT_EQ(vector_math::log(kInfinite), kInfinite);
    EXPECT_TRUE(std::isnan(vector_math::log(-1.0)));
    EXPECT_TRUE(std::isnan(vector_math::log(std::nan(""))));
}

TEST(VectorMath, NormalTailIsTheNormals) {
    const auto at = [](int k) { return uniform(k, 0.0, 37.0); };
    const long double root_half = std::sqrt(0.5L);
    EXPECT_LT(largest_relative_error(
                  at, [](double z) { return vector_math::normal_tail(z).density; },
                  [](long double z) { return 0.398942280401432677939946L * std::exp(-0.5L * z * z); }),
              1e-15);
    EXPECT_LT(largest_relative_error(
                  at, [](double z) { return vector_math::normal_tail(z).beyond; },
                  [&](long double z) { return 0.5L * boost::math::erfc(z * root_half); }),
              1e-15);
    EXPECT_DOUBLE_EQ(vector_math::normal_tail(0.0).beyond, 0.5);
    EXPECT_EQ(vector_math::normal_tail(1e300).beyond, 0.0);
}

}  // namespace
}  // namespace lobetime
