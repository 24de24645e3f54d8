#pragma once
#include <cmath>
#include <numbers>

namespace lobetime {

/// Standard normal density.
inline double normal_pdf(double z) {
    return 0.5 * std::numbers::inv_sqrtpi * std::numbers::sqrt2 * std::exp(-0.5 * z * z);
}

/// Standard normal distribution function; T is double or an automatic-differentiation scalar.
template <typename T>
T normal_cdf(const T& z) {
    using std::erfc;
    return 0.5 * erfc(-z / std::numbers::sqrt2);
}

/// Quantile of the standard normal, 0 < p < 1 (Boost.Math).
double normal_quantile(double p);

}  // namespace lobetime
