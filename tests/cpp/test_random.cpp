#include <lobetime/core/random.hpp>

#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

namespace lobetime {
namespace {

using Words = std::array<std::uint64_t, 4>;

/// Philox4x64-10 written from Salmon et al. (SC 2011), independent of the library that lobetime uses.
Words philox(Words counter, std::uint64_t key0, std::uint64_t key1) {
    __extension__ using Wide = unsigned __int128;
    for (int round = 0; round < 10; ++round) {
        const Wide a = static_cast<Wide>(0xD2E7470EE14C6C93ULL) * counter[0];
        const Wide b = static_cast<Wide>(0xCA5A826395121157ULL) * counter[2];
        counter = {static_cast<std::uint64_t>(b >> 64) ^ counter[1] ^ key0, static_cast<std::uint64_t>(b),
                   static_cast<std::uint64_t>(a >> 64) ^ counter[3] ^ key1, static_cast<std::uint64_t>(a)};
        key0 += 0x9E3779B97F4A7C15ULL;
        key1 += 0xBB67AE8584CAA73BULL;
    }
    return counter;
}

// READ: the philox4x64 10 rows of Random123's tests/kat_vectors, as quoted in public repositories. Exact.
TEST(Philox, ReferenceMatchesPublishedKnownAnswers) {
    constexpr std::uint64_t ones = ~0ULL;
    EXPECT_EQ(philox({0, 0, 0, 0}, 0, 0),
              (Words{0x16554d9eca36314cULL, 0xdb20fe9d672d0fdcULL, 0xd7e772cee186176bULL, 0x7e68b68aec7ba23bULL}));
    EXPECT_EQ(philox({ones, ones, ones, ones}, ones, ones),
              (Words{0x87b092c3013fe90bULL, 0x438c3c67be8d0224ULL, 0x9cc7d7c69cd777b6ULL, 0xa09caebf594f0ba0ULL}));
    EXPECT_EQ(philox({0x243f6a8885a308d3ULL, 0x13198a2e03707344ULL, 0xa4093822299f31d0ULL, 0x082efa98ec4e6c89ULL},
                     0x452821e638d01377ULL, 0xbe5466cf34e90c6cULL),
              (Words{0xa528f45403e61d95ULL, 0x38c72dbd566e9788ULL, 0xa5a1610e72fd18b5ULL, 0x57bd43b5e52b7fe6ULL}));
}

// Saved seeds must go on giving the same slots: the address (seed, stream, index) and the step to (0, 1) are pinned.
TEST(CounterRandom, UniformsAreTheTopBitsOfPhiloxAtTheirAddress) {
    for (const std::uint64_t seed : {0ULL, 1ULL, 987654321ULL, ~0ULL}) {
        for (const std::uint64_t index : {0ULL, 1ULL, 4096ULL, ~0ULL}) {
            const auto u = CounterRandom(seed, seed ^ 77).uniforms(index);
            const Words bits = philox({index, 1, 0, 0}, seed, seed ^ 77);
            for (std::size_t k = 0; k < 4; ++k) {
                const double expected = std::ldexp(static_cast<double>((bits[k] >> 11) | 1U), -53);
                EXPECT_EQ(u[k], expected) << seed << " " << index;
            }
        }
    }
}

TEST(CounterRandom, NormalsAreBoxMullerOfPhiloxAtTheirAddress) {
    for (const std::uint64_t index : {0ULL, 5ULL, 123456789ULL}) {
        const auto z = CounterRandom(3, 4).normals(index);
        const Words bits = philox({index, 2, 0, 0}, 3, 4);
        for (std::size_t pair = 0; pair < 2; ++pair) {
            // Only the radius: the angle's convention is the other library's. 1e-12: rounding of log and square root.
            const double radius =
                -2.0 * std::log((static_cast<double>(bits[2 * pair + 1]) + 0.5) * std::ldexp(1.0, -64));
            const double found = z[2 * pair] * z[2 * pair] + z[2 * pair + 1] * z[2 * pair + 1];
            EXPECT_NEAR(found, radius, 1e-12 * radius);
        }
    }
}

TEST(CounterRandom, ValuesDependOnTheAddressAloneNotOnTheOrder) {
    const CounterRandom random(11, 12);
    std::vector<std::array<double, 4>> forward, backward(100);
    for (std::uint64_t i = 0; i < 100; ++i) forward.push_back(random.normals(i));
    for (std::uint64_t i = 100; i-- > 0;) backward[i] = CounterRandom(11, 12).normals(i);
    EXPECT_EQ(forward, backward);
}

TEST(CounterRandom, SeedStreamAndIndexAllMatter) {
    const auto base = CounterRandom(1, 2).uniforms(3);
    EXPECT_NE(base, CounterRandom(2, 2).uniforms(3));
    EXPECT_NE(base, CounterRandom(1, 3).uniforms(3));
    EXPECT_NE(base, CounterRandom(1, 2).uniforms(4));
    EXPECT_NE(base, CounterRandom(2, 1).uniforms(3));
}

TEST(CounterRandom, UniformsLieStrictlyInsideAndHaveTheMomentsOfAUniform) {
    const CounterRandom random(1, stable_hash("uniform"));
    constexpr std::uint64_t n = 100000;
    double sum = 0.0, square = 0.0, lag = 0.0, across = 0.0, smallest = 1.0, largest = 0.0;
    for (std::uint64_t i = 0; i < n; ++i) {
        const auto u = random.uniforms(i);
        for (const double x : u) {
            sum += x;
            square += x * x;
            smallest = std::min(smallest, x);
            largest = std::max(largest, x);
        }
        lag += (u[0] - 0.5) * (random.uniforms(i + 1)[0] - 0.5);
        across += (u[0] - 0.5) * (u[3] - 0.5);
    }
    EXPECT_GT(smallest, 0.0);
    EXPECT_LT(largest, 1.0);
    // Five standard errors of 400,000 (100,000) independent numbers; the seed is fixed.
    EXPECT_NEAR(sum / (4.0 * n), 0.5, 5.0 * std::sqrt(1.0 / 12.0 / (4.0 * n)));
    EXPECT_NEAR(square / (4.0 * n), 1.0 / 3.0, 5.0 * std::sqrt(4.0 / 45.0 / (4.0 * n)));
    EXPECT_NEAR(lag / n * 12.0, 0.0, 5.0 / std::sqrt(static_cast<double>(n)));
    EXPECT_NEAR(across / n * 12.0, 0.0, 5.0 / std::sqrt(static_cast<double>(n)));
}

TEST(CounterRandom, NormalsHaveTheMomentsOfANormal) {
    const CounterRandom random(1, stable_hash("normal"));
    constexpr std::uint64_t n = 100000;
    double m1 = 0.0, m2 = 0.0, m3 = 0.0, m4 = 0.0, pair = 0.0;
    for (std::uint64_t i = 0; i < n; ++i) {
        const auto z = random.normals(i);
        for (const double x : z) {
            m1 += x;
            m2 += x * x;
            m3 += x * x * x;
            m4 += x * x * x * x;
        }
        pair += z[0] * z[1] + z[2] * z[3] + z[0] * z[2];
    }
    const double root = std::sqrt(4.0 * n);
    EXPECT_NEAR(m1 / (4.0 * n), 0.0, 5.0 / root);
    EXPECT_NEAR(m2 / (4.0 * n), 1.0, 5.0 * std::sqrt(2.0) / root);
    EXPECT_NEAR(m3 / (4.0 * n), 0.0, 5.0 * std::sqrt(15.0) / root);
    EXPECT_NEAR(m4 / (4.0 * n), 3.0, 5.0 * std::sqrt(96.0) / root);
    EXPECT_NEAR(pair / n, 0.0, 5.0 * std::sqrt(3.0 / n));
}

// FROM MEMORY: test vectors of the FNV authors' page; the algorithm's two constants are the other half of the check.
TEST(StableHash, MatchesFnv1aVectors) {
    EXPECT_EQ(stable_hash(""), 0xcbf29ce484222325ULL);
    EXPECT_EQ(stable_hash("a"), 0xaf63dc4c8601ec8cULL);
    EXPECT_EQ(stable_hash("foobar"), 0x85944171f73967e8ULL);
}

TEST(StableHash, TakesBytesAboveAsciiAsUnsigned) {
    // FNV-1a step by hand for the single byte 0xff.
    EXPECT_EQ(stable_hash("\xff"), (0xcbf29ce484222325ULL ^ 0xffULL) * 0x100000001b3ULL);
}

}  // namespace
}  // namespace lobetime
