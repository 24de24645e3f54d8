#include <lobetime/core/errors.hpp>
#include <lobetime/core/normal.hpp>
#include <lobetime/evidence/conversions.hpp>

#include <cmath>
#include <limits>
#include <string>

namespace lobetime {
namespace {

bool has_range(const ReportedSummary& s) { return !std::isnan(s.min) && !std::isnan(s.max); }
bool has_quartiles(const ReportedSummary& s) { return !std::isnan(s.q1) && !std::isnan(s.q3); }

struct Estimates {
    MeanSd of_values;
    double log_correction;  ///< the log-normal SD is over the square root of it
    // Of log-normal values: sampling error of the log mean and SD, in which the mean and SD are curved.
    double of_variance, of_fourth, fourth_correction;
};

Estimates from_quantiles(const ReportedSummary& s) {
    const double n = s.n;
    const double of_range = 2.0 * normal_quantile((n - 0.375) / (n + 0.25));
    const double of_quartiles = 2.0 * normal_quantile((0.75 * n - 0.125) / (n + 0.25));
    const double log_n = std::log(n), n75 = std::pow(n, 0.75);
    if (std::isnan(s.median) || !(has_range(s) || has_quartiles(s)))
        throw InvalidArgument("a summary needs mean and SD, or the median with the range, the quartiles, or both");
    const double middle_of_range = 0.5 * (s.min + s.max), middle_of_quartiles = 0.5 * (s.q1 + s.q3);
    const double sd_of_range = (s.max - s.min) / of_range, sd_of_quartiles = (s.q3 - s.q1) / of_quartiles;
    if (!has_quartiles(s)) {
        const double w = 4.0 / (4.0 + n75);
        return {{w * middle_of_range + (1.0 - w) * s.median, sd_of_range},
                1.01 + 0.25 / (log_n * log_n),
                0.565,
                0.37,
                1.0 + 2.23 / (log_n * log_n)};
    }
    if (!has_range(s)) {
        const double w = 0.7 + 0.39 / n;
        return {{w * middle_of_quartiles + (1.0 - w) * s.median, sd_of_quartiles},
                1.0 + 1.58 / n,
                0.57,
                0.75,
                1.0 + 19.2 / std::pow(n, 1.2)};
    }
    const double w1 = 2.2 / (2.2 + n75), w2 = 0.7 - 0.72 / std::pow(n, 0.55);
    const double w = 1.0 / (1.0 + 0.07 * std::pow(n, 0.6));
    return {{w1 * middle_of_range + w2 * middle_of_quartiles + (1.0 - w1 - w2) * s.median,
             w * sd_of_range + (1.0 - w) * sd_of_quartiles},
            1.0 + 0.28 / (log_n * log_n),
            0.405,
            0.315,
            1.0 + 3.93 / n};
}

/// The same of the logarithms.
Estimates from_log_quantiles(ReportedSummary s) {
    for (double* value : {&s.min, &s.q1, &s.median, &s.q3, &s.max}) {
        if (*value <= 0.0) throw InvalidArgument("values must be positive to have logarithms");
        *value = std::log(*value);
    }
    return from_quantiles(s);
}

}  // namespace

void ReportedSummary::check() const {
    if (n < 2) throw InvalidArgument("a summary needs two cases or more, not " + std::to_string(n));
    if (!std::isnan(sd) && !(sd > 0.0)) throw InvalidArgument("an SD must be positive");
    double last = -std::numeric_limits<double>::infinity();
    for (const double quantile : {min, q1, median, q3, max}) {
        if (std::isnan(quantile)) continue;
        if (quantile < last) throw InvalidArgument("min, q1, median, q3 and max must not fall");
        last = quantile;
    }
}

MeanSd mean_and_sd(const ReportedSummary& summary) {
    summary.check();
    if (!std::isnan(summary.mean) && !std::isnan(summary.sd)) return {summary.mean, summary.sd};
    return from_quantiles(summary).of_values;
}

MeanSd log_mean_and_sd(const ReportedSummary& summary) {
    summary.check();
    if (!std::isnan(summary.mean) && !std::isnan(summary.sd)) {
        if (summary.mean <= 0.0) throw InvalidArgument("values must be positive to have logarithms");
        const double ratio = summary.sd / summary.mean, variance = std::log1p(ratio * ratio);
        return {std::log(summary.mean) - 0.5 * variance, std::sqrt(variance)};
    }
    const Estimates found = from_log_quantiles(summary);
    return {found.of_values.mean, found.of_values.sd / std::sqrt(found.log_correction)};
}

MeanSd log_normal_mean_and_sd(const ReportedSummary& summary) {
    summary.check();
    if (!std::isnan(summary.mean) && !std::isnan(summary.sd)) return {summary.mean, summary.sd};
    const Estimates found = from_log_quantiles(summary);
    const double mean = found.of_values.mean, raw = found.of_values.sd * found.of_values.sd;
    const double variance = raw / found.log_correction, fourth = raw * raw / found.fourth_correction;
    const auto over = [&](double power, double fourth_power) {
        return 1.0 + (power * found.of_variance * variance + fourth_power * found.of_fourth * fourth) / summary.n;
    };
    return {std::exp(mean + 0.5 * variance) / over(1.0, 1.0),
            std::sqrt(std::exp(2.0 * mean + 2.0 * variance) / over(4.0, 16.0) -
                      std::exp(2.0 * mean + variance) / over(4.0, 4.0))};
}

MeanSd from_logs(const MeanSd& of_logs) {
    const double variance = of_logs.sd * of_logs.sd, mean = std::exp(of_logs.mean + 0.5 * variance);
    return {mean, mean * std::sqrt(std::expm1(variance))};
}

}  // namespace lobetime
