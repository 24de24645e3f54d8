#pragma once
#include <gmock/gmock.h>

#include <Eigen/Core>

#include <cmath>
#include <cstring>

namespace lobetime::testing {

/// Every entry within `absolute + relative * |expected|`; shapes must agree.
MATCHER_P3(EigenNear, expected, absolute, relative, "is near a matrix") {
    if (arg.rows() != expected.rows() || arg.cols() != expected.cols()) {
        *result_listener << "has shape " << arg.rows() << " x " << arg.cols();
        return false;
    }
    for (Eigen::Index j = 0; j < arg.cols(); ++j) {
        for (Eigen::Index i = 0; i < arg.rows(); ++i) {
            const double difference = std::abs(arg(i, j) - expected(i, j));
            if (!(difference <= absolute + relative * std::abs(expected(i, j)))) {
                *result_listener << "differs at (" << i << ", " << j << "): " << arg(i, j) << " against "
                                 << expected(i, j);
                return false;
            }
        }
    }
    return true;
}

/// The same numbers to the last bit.
MATCHER_P(EigenIdentical, expected, "is bitwise the same as a matrix") {
    if (arg.rows() != expected.rows() || arg.cols() != expected.cols()) return false;
    for (Eigen::Index j = 0; j < arg.cols(); ++j) {
        for (Eigen::Index i = 0; i < arg.rows(); ++i) {
            const double a = arg(i, j), b = expected(i, j);
            if (std::memcmp(&a, &b, sizeof a) != 0) {
                *result_listener << "differs at (" << i << ", " << j << ") by " << a - b;
                return false;
            }
        }
    }
    return true;
}

}  // namespace lobetime::testing
