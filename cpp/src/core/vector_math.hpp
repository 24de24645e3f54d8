#pragma once
#include <bit>
#include <cstdint>
#include <limits>

/// Marks a function whose loops are compiled for AVX2 as well; the loader takes the version the processor has.
///
/// Such a function holds plain loops over arrays of double and no Eigen types, whose alignment depends on the
/// instruction set. Products and sums are not contracted (ISO mode) and no sum is reordered, so that both versions give
/// the same bits. The sanitizers' run time is not up yet when the loader chooses, so they get one version.
#if defined(__x86_64__) && defined(__ELF__) && defined(__GNUC__) && !defined(__clang__) && \
    !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define LOBETIME_VECTOR_CLONES __attribute__((target_clones("avx2", "default")))
#else
#define LOBETIME_VECTOR_CLONES
#endif

#if defined(__GNUC__)
#define LOBETIME_ALWAYS_INLINE inline __attribute__((always_inline))
#else
#define LOBETIME_ALWAYS_INLINE inline
#endif

namespace lobetime::vector_math {

/// exp(x) without branches, so that a loop over it is vectorised; relative error below 3e-16. 0 below -708, where the
/// result would lose digits, infinite above 709.
///
/// exp(x) = 2^k exp(r) with |r| <= log(2)/2, and the Taylor series of exp(r) to r^13, which leaves 4e-18.
LOBETIME_ALWAYS_INLINE double exp(double x) {
    constexpr double kRound = 0x1.8p52;  // adding it leaves the nearest integer in the lowest bits
    constexpr double kLn2High = 0x1.62e42feep-1, kLn2Low = 0x1.a39ef35793c76p-33;
    const double shifted = x * 0x1.71547652b82fep0 + kRound;
    const double k = shifted - kRound;
    const double r = (x - k * kLn2High) - k * kLn2Low;
    double p = 1.0 / 6227020800.0;
    p = p * r + 1.0 / 479001600.0;
    p = p * r + 1.0 / 39916800.0;
    p = p * r + 1.0 / 3628800.0;
    p = p * r + 1.0 / 362880.0;
    p = p * r + 1.0 / 40320.0;
    p = p * r + 1.0 / 5040.0;
    p = p * r + 1.0 / 720.0;
    p = p * r + 1.0 / 120.0;
    p = p * r + 1.0 / 24.0;
    p = p * r + 1.0 / 6.0;
    p = p * r + 0.5;
    p = 1.0 + (r + p * (r * r));
    double y = std::bit_cast<double>(std::bit_cast<std::uint64_t>(p) + (std::bit_cast<std::uint64_t>(shifted) << 52));
    y = x > 709.0 ? std::numeric_limits<double>::infinity() : y;
    y = x < -708.0 ? 0.0 : y;
    return x == x ? y : x;
}

/// log(x) without branches; relative error below 3e-16 as in fdlibm, whose polynomial it takes (e_log.c, Sun
/// Microsystems 1993): with x = 2^k (1 + f) and s = f / (2 + f), log(1 + f) = f - f^2/2 + s (f^2/2 + R(s^2)).
LOBETIME_ALWAYS_INLINE double log(double x) {
    constexpr std::uint64_t kSqrtHalf = 0x3fe6a09e00000000, kOne = 0x3ff0000000000000;
    constexpr double kLn2High = 6.93147180369123816490e-01, kLn2Low = 1.90821492927058770002e-10;
    const bool tiny = x < 0x1p-1022;
    const std::uint64_t bits = std::bit_cast<std::uint64_t>(tiny ? x * 0x1p54 : x) + (kOne - kSqrtHalf);
    // The exponent as a double: put into the lowest bits of 2^52.
    const double exponent = std::bit_cast<double>((bits >> 52) | 0x4330000000000000) - (0x1p52 + 1023.0);
    const double k = exponent - (tiny ? 54.0 : 0.0);
    const double f = std::bit_cast<double>((bits & 0x000fffffffffffff) + kSqrtHalf) - 1.0;
    const double s = f / (2.0 + f), z = s * s, w = z * z;
    const double even = w * (3.999999999940941908e-01 + w * (2.222219843214978396e-01 + w * 1.531383769920937332e-01));
    const double odd =
        z * (6.666666666666735130e-01 +
             w * (2.857142874366239149e-01 + w * (1.818357216161805012e-01 + w * 1.479819860511658591e-01)));
    const double half_square = 0.5 * f * f;
    double y = k * kLn2High - ((half_square - (s * (half_square + (even + odd)) + k * kLn2Low)) - f);
    y = x <= std::numeric_limits<double>::max() ? y : x;  // infinity and NaN stay what they are
    y = x == 0.0 ? -std::numeric_limits<double>::infinity() : y;
    return x < 0.0 ? std::numeric_limits<double>::quiet_NaN() : y;
}

/// Standard normal density, and the chance beyond z, at z >= 0.
struct NormalTail {
    double density, beyond;
};

/// Relative error of both below 1e-15 while they are above 1e-300.
///
/// The chance is the density times Mills' ratio M(z). With t = (z - 4)/(z + 4), (z + 4) M(z) is a polynomial of t to
/// 2e-17: its Chebyshev series to t^24 (interpolated at 60 nodes with 50 digits), after the manner of Schonfelder,
/// Mathematics of Computation 32 (1978) 1232, for erfc. Four interleaved Horner schemes keep the processor busy.
LOBETIME_ALWAYS_INLINE NormalTail normal_tail(double z) {
    constexpr double kDensityAt0 = 0.39894228040143267794;
    z = z > 1000.0 ? 1000.0 : z;
    // z^2 = high^2 + (z - high)(z + high) with high^2 exact: a rounded square would cost digits of the exponential.
    const double high = std::bit_cast<double>(std::bit_cast<std::uint64_t>(z) & 0xfffffffff8000000);
    const double rest = 0.5 * (z - high) * (z + high);
    const double density =
        kDensityAt0 * exp(-0.5 * high * high) * (1.0 - rest * (1.0 - rest * (0.5 - rest * (1.0 / 6.0))));
    const double share = 1.0 / (z + 4.0);
    const double t = (z - 4.0) * share, t2 = t * t, t4 = t2 * t2;
    const double p0 = (((((8.53083886026053e-10 * t4 + 5.3711037651589576e-08) * t4 + 6.829633831673466e-07) * t4 +
                         1.7963971214040778e-06) *
                            t4 +
                        0.0003342446162328441) *
                           t4 +
                       0.15139176231244347) *
                          t4 +
                      1.8932190633084853;
    const double p1 = ((((-1.4722998923746307e-09 * t4 - 4.00493929251171e-07) * t4 - 1.4843277679080294e-05) * t4 -
                        0.0005792693046478719) *
                           t4 -
                       0.018900450861711257) *
                          t4 -
                      1.5237709108199835;
    const double p2 = ((((-9.35134044482434e-09 * t4 - 2.1774195022039326e-07) * t4 - 1.5787665654677373e-06) * t4 -
                        4.783264259417208e-06) *
                           t4 -
                       0.008722295274260125) *
                          t4 +
                      0.9704095548675884;
    const double p3 = ((((-3.0073979672398766e-10 * t4 + 4.473060051450323e-08) * t4 + 2.568755311229722e-06) * t4 +
                        8.809573121072337e-05) *
                           t4 +
                       0.004087855681200072) *
                          t4 -
                      0.4675409629983325;
    return {density, density * share * ((p0 + t * p1) + t2 * (p2 + t * p3))};
}

}  // namespace lobetime::vector_math
