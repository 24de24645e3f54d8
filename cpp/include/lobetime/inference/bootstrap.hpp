#pragma once
#include <Eigen/Core>

#include <cstdint>
#include <functional>
#include <span>
#include <string>
#include <vector>

namespace lobetime {

/// How often each of `units` units is drawn in a replicate: units draws with replacement. Depends on (seed, replicate)
/// alone, so any replicate can be computed again by itself, on any thread.
std::vector<int> resample_counts(std::size_t units, std::uint64_t seed, std::uint64_t replicate);

struct ReplicateOptions {
    int replicates = 1000;  ///< >= 2
    std::uint64_t seed = 1;
    int threads = 0;  ///< 0 = as many as the machine has; results do not depend on it
    /// Called now and then from the calling thread's own share of the work, never at once by two threads; false stops.
    std::function<bool(int done, int total)> progress;
    void check() const;
};

/// The estimate once more from the units as often as `counts` says. Called by several threads at once unless threads
/// is 1. Throws an Error when the replicate has no estimate.
using Refit = std::function<Eigen::VectorXd(std::span<const int> counts, std::uint64_t replicate)>;

struct Replicates {
    Eigen::MatrixXd theta;  ///< replicates that have an estimate x p, in order of their index
    int asked = 0;
    std::vector<std::string> failures;  ///< why the others have none
};

/// Resamples units (cases, or clusters of them) and refits.
///
/// Throws NotConverged when stopped by `progress`, or when more than a tenth of the replicates have no estimate:
/// the rest would not be a random sample, and intervals from them too narrow.
Replicates bootstrap(std::size_t units, const Refit& refit, const ReplicateOptions& options);

struct Ends {
    double lower, upper;
};

/// Percentile interval (quantiles of type 6, p (n + 1), which does not narrow the interval).
Ends percentile_interval(std::span<const double> values, double level);

/// Bias-corrected and accelerated interval: Efron, J Am Stat Assoc 1987;82:171. `acceleration`: skewness of the
/// influence values, sum l^3 / (6 (sum l^2)^1.5), see `acceleration_of`.
/// Throws InvalidArgument when the estimate lies outside all values (the correction is not finite then).
Ends bca_interval(std::span<const double> values, double estimate, double acceleration, double level);

double acceleration_of(std::span<const double> influence);

}  // namespace lobetime
