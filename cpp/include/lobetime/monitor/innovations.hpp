#pragma once
#include <vector>

namespace lobetime {

/// How standardised values hang together: variance 1 each, of which `all` is common to every value and `group` to the
/// values of one group. What a fit has left uncertain moves all cases of a unit, and all of one surgeon, alike.
struct SharedVariance {
    double all = 0.0;
    double group = 0.0;
};

/// One entry a value.
struct Innovations {
    std::vector<double> z;         ///< what is new in the value: (value - expected) / sd
    std::vector<double> expected;  ///< from the values before it
    std::vector<double> sd;        ///< of the value about `expected`; at most 1
};

/// One-step-ahead prediction errors of values that share uncertain offsets,
///
///     value = a + b[group] + e,   a ~ N(0, all), b ~ N(0, group), e ~ N(0, 1 - all - group)
///
/// independent standard normal whatever the shares are (recursive residuals: Brown, Durbin and Evans, J R Stat Soc B
/// 1975;37:149), so that a chart of them has the run length of independent values. A NaN teaches nothing; its
/// `expected` and `sd` are those of a value that would stand there, its `z` is NaN.
///
/// `group` counts from 0. Work and memory grow with the square of the number of groups.
/// Throws InvalidArgument.
Innovations innovations(const std::vector<double>& values, const std::vector<int>& group, SharedVariance shared);

}  // namespace lobetime
