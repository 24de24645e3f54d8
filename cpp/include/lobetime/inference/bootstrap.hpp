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
    std::uint64_t first = 0;  ///< number of the first one: a part of a larger bootstrap begins elsewhere
    int threads = 0;          ///< 0 = as many as the machine has; results do not depend on it
    /// Asked about ten times a second, by the calling thread only; false stops. What it throws stops too.
    std::function<bool(int done, int total)> progress;
    void check() const;  ///< throws InvalidArgument naming the field
};

/// The estimate once more from the units as often as `counts` says. Called by several threads at once unless threads
/// is 1. Throws an Error when the replicate has no estimate. A refit that can take longer than a second hands
/// `interrupt` to its solver: true asks it to stop.
using Refit = std::function<Eigen::VectorXd(std::span<const int> counts, std::uint64_t replicate,
                                            const std::function<bool()>& interrupt)>;

struct Replicates {
    Eigen::MatrixXd theta;  ///< replicates that have an estimate x p, in order of their index
    int asked = 0;
    std::vector<std::string> failures;  ///< why the others have none, with their index
};

/// Replicates `first` to `first + replicates - 1`, a part of a bootstrap: parts one after the other are, to the bit,
/// what a single run gives, whatever machine or thread took which. `replicates` may be 1. Throws InvalidArgument for
/// fewer than two units and NotConverged when stopped; how many failed is judged on the whole, by `check_failures`.
Replicates bootstrap_part(std::size_t units, const Refit& refit, const ReplicateOptions& options);

/// Throws NotConverged when more than a tenth have no estimate.
void check_failures(const Replicates& replicates);

/// Resamples units (cases, or clusters of them) and refits.
///
/// Throws InvalidArgument for fewer than two units, NotConverged when stopped by `progress`, or when more than a tenth
/// of the replicates have no estimate: the rest would not be a random sample, and intervals from them too narrow.
Replicates bootstrap(std::size_t units, const Refit& refit, const ReplicateOptions& options);

/// NaN where the replicates do not reach: an end beyond the outermost of them.
struct Ends {
    double lower, upper;
};

/// Percentile interval (quantiles of type 6, p (n + 1), which does not narrow the interval).
/// Throws InvalidArgument (level, NaN among the values, fewer values than the level asks for: 2 / (1 - level) - 1).
Ends percentile_interval(std::span<const double> values, double level);

/// Bias-corrected and accelerated interval: Efron, J Am Stat Assoc 1987;82:171, doi 10.1080/01621459.1987.10478410.
///
/// With z0 the normal quantile of the share of values below the estimate (ties count half), an end is the quantile of
/// type 6 at Phi(z0 + (z0 + z) / (1 - a (z0 + z))). `acceleration` a: see `acceleration_of`. Throws as the percentile
/// interval does.
Ends bca_interval(std::span<const double> values, double estimate, double acceleration, double level);

/// Skewness of the influence values l of the units, sum l^3 / (6 (sum l^2)^1.5); 0 where all are 0.
double acceleration_of(std::span<const double> influence);

}  // namespace lobetime
