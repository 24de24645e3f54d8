#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/core/parallel.hpp>
#include <lobetime/core/random.hpp>
#include <lobetime/inference/bootstrap.hpp>

#include "inference/supervisor.hpp"

#include <algorithm>
#include <cmath>

namespace lobetime {
namespace {

constexpr double kMostFailures = 0.1;

/// Quantile of type 6 of sorted values: the order statistic p (n + 1), interpolated; NaN beyond the first and last.
double quantile_type6(const std::vector<double>& sorted, double p) {
    const double n = static_cast<double>(sorted.size()), at = p * (n + 1.0);
    // 0.025 x 40 is 1 but for rounding.
    if (!(at > 1.0 - 1e-9 && at < n + 1e-9)) return std::nan("");
    const double below = std::clamp(std::floor(at), 1.0, n);
    const std::size_t i = static_cast<std::size_t>(below) - 1;
    const double share = std::max(at - below, 0.0);
    // Equal neighbours may both be infinite.
    if (share == 0.0 || i + 1 == sorted.size() || sorted[i] == sorted[i + 1]) return sorted[i];
    return (1.0 - share) * sorted[i] + share * sorted[i + 1];
}

std::vector<double> sorted_values(std::span<const double> values, double level) {
    if (!(level > 0.0 && level < 1.0)) throw InvalidArgument("level must lie strictly between 0 and 1");
    const double needed = std::ceil(2.0 / (1.0 - level) - 1.0 - 1e-9);
    if (static_cast<double>(values.size()) < needed) {
        throw InvalidArgument("an interval at level " + std::to_string(level) + " needs at least " +
                              std::to_string(static_cast<long long>(needed)) + " replicates, not " +
                              std::to_string(values.size()));
    }
    std::vector<double> sorted(values.begin(), values.end());
    if (std::any_of(sorted.begin(), sorted.end(), [](double v) { return std::isnan(v); }))
        throw InvalidArgument("a replicate's value is not a number");
    std::sort(sorted.begin(), sorted.end());
    return sorted;
}

}  // namespace

std::vector<int> resample_counts(std::size_t units, std::uint64_t seed, std::uint64_t replicate) {
    static const std::uint64_t first_stream = stable_hash("bootstrap");
    const CounterRandom stream(seed, first_stream + replicate);
    std::vector<int> counts(units, 0);
    const double n = static_cast<double>(units);
    for (std::size_t drawn = 0; drawn < units; drawn += 4) {
        const auto u = stream.uniforms(drawn / 4);
        for (std::size_t k = 0; k < std::min<std::size_t>(4, units - drawn); ++k)
            ++counts[std::min(static_cast<std::size_t>(u[k] * n), units - 1)];
    }
    return counts;
}

void ReplicateOptions::check() const {
    if (replicates < 2) throw InvalidArgument("replicates must be at least 2");
    if (threads < 0) throw InvalidArgument("threads must be 0 (all) or more");
}

Replicates bootstrap_part(std::size_t units, const Refit& refit, const ReplicateOptions& options) {
    if (options.replicates < 1) throw InvalidArgument("a part of a bootstrap has at least one replicate");
    if (units < 2) throw InvalidArgument("a bootstrap needs at least two cases or clusters to draw from");
    const std::size_t n = static_cast<std::size_t>(options.replicates);
    std::vector<Eigen::VectorXd> estimates(n);
    std::vector<std::string> reasons(n);
    Supervisor supervisor(options.progress, options.replicates);
    const std::function<bool()> interrupt = [&] { return supervisor.stopped(); };
    parallel_for(n, options.threads, [&](std::size_t r) {
        if (interrupt()) return;
        const std::uint64_t replicate = options.first + r;
        try {
            estimates[r] = refit(resample_counts(units, options.seed, replicate), replicate, interrupt);
            if (!estimates[r].allFinite()) throw NotFinite("the estimate is not finite");
        } catch (const Error& error) {
            estimates[r].resize(0);
            reasons[r] = "replicate " + std::to_string(replicate) + ": " + error.what();
        }
        ++supervisor.done;
    });
    supervisor.finish();
    if (interrupt()) {
        throw NotConverged("the bootstrap was stopped after " + std::to_string(supervisor.done.load()) + " of " +
                           std::to_string(n) + " replicates");
    }
    Replicates out;
    out.asked = options.replicates;
    Eigen::Index kept = 0;
    for (std::size_t r = 0; r < n; ++r) {
        if (estimates[r].size() == 0)
            out.failures.push_back(reasons[r]);
        else
            ++kept;
    }
    for (std::size_t r = 0; r < n; ++r) {
        if (estimates[r].size() == 0) continue;
        if (out.theta.size() == 0) {
            out.theta.resize(kept, estimates[r].size());
            kept = 0;
        }
        out.theta.row(kept++) = estimates[r].transpose();
    }
    return out;
}

void check_failures(const Replicates& replicates) {
    if (static_cast<double>(replicates.failures.size()) > kMostFailures * static_cast<double>(replicates.asked)) {
        throw NotConverged(
            std::to_string(replicates.failures.size()) + " of " + std::to_string(replicates.asked) +
            " replicates have no estimate, more than a tenth; the first: " + replicates.failures.front());
    }
}

Replicates bootstrap(std::size_t units, const Refit& refit, const ReplicateOptions& options) {
    options.check();
    Replicates out = bootstrap_part(units, refit, options);
    check_failures(out);
    return out;
}

Ends percentile_interval(std::span<const double> values, double level) {
    const std::vector<double> sorted = sorted_values(values, level);
    const double tail = 0.5 * (1.0 - level);
    return {quantile_type6(sorted, tail), quantile_type6(sorted, 1.0 - tail)};
}

Ends bca_interval(std::span<const double> values, double estimate, double acceleration, double level) {
    const std::vector<double> sorted = sorted_values(values, level);
    if (!std::isfinite(acceleration)) throw InvalidArgument("the acceleration must be finite");
    const auto [first, last] = std::equal_range(sorted.begin(), sorted.end(), estimate);
    const double n = static_cast<double>(sorted.size());
    const double below = (static_cast<double>(first - sorted.begin()) + 0.5 * static_cast<double>(last - first)) / n;
    // All values on one side of the estimate: the correction is not finite.
    if (!(below > 0.0 && below < 1.0)) return {std::nan(""), std::nan("")};
    const double z0 = normal_quantile(below), z = normal_quantile(0.5 + 0.5 * level);
    const auto end = [&](double tail) {
        const double shifted = z0 + tail, shrink = 1.0 - acceleration * shifted;
        return shrink > 0.0 ? quantile_type6(sorted, normal_cdf(z0 + shifted / shrink)) : std::nan("");
    };
    return {end(-z), end(z)};
}

double acceleration_of(std::span<const double> influence) {
    double largest = 0.0;
    for (const double l : influence) largest = std::max(largest, std::abs(l));
    if (largest == 0.0) return 0.0;
    double squares = 0.0, cubes = 0.0;
    for (const double l : influence) {
        const double scaled = l / largest;  // cubes of large influences must not overflow
        squares += scaled * scaled;
        cubes += scaled * scaled * scaled;
    }
    return cubes / (6.0 * std::pow(squares, 1.5));
}

}  // namespace lobetime
