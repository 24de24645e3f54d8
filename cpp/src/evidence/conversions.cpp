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
        return {{w * middle_of_range + (1.0 - w) * s.median, sd_of_range}, 1.01 + 0.25 / (log_n * log_n)};
    }
    if (!has_range(s)) {
        const double w = 0.7 + 0.39 / n;
        return {{w * middle_of_quartiles + (1.0 - w) * s.median, sd_of_quartiles}, 1.0 + 1.58 / n};
    }
    const double w1 = 2.2 / (2.2 + n75), w2 = 0.7 - 0.72 / std::pow(n, 0.55);
    const double w = 1.0 / (1.0 + 0.07 * std::pow(n, 0.6));
    return {{w1 * middle_of_range + w2 * middle_of_quartiles + (1.0 - w1 - w2) * s.median,
             w * sd_of_range + (1.0 - w) * sd_of_quartiles},
            1.0 + 0.28 / (log_n * log_n)};
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
    for (const double value : {summary.mean, summary.min, summary.q1, summary.median, summary.q3, summary.max}) {
        if (value <= 0.0) throw InvalidArgument("values must be positive to have logarithms");
    }
    if (!std::isnan(summary.mean) && !std::isnan(summary.sd)) {
        const double ratio = summary.sd / summary.mean, variance = std::log1p(ratio * ratio);
        return {std::log(summary.mean) - 0.5 * variance, std::sqrt(variance)};
    }
    ReportedSummary logs = summary;
    for (double* value : {&logs.min, &logs.q1, &logs.median, &logs.q3, &logs.max}) *value = std::log(*value);
    const Estimates found = from_quantiles(logs);
    return {found.of_values.mean, found.of_values.sd / std::sqrt(found.log_correction)};
}

MeanSd from_logs(const MeanSd& of_logs) {
    const double variance = of_logs.sd * of_logs.sd, mean = std::exp(of_logs.mean + 0.5 * variance);
    return {mean, mean * std::sqrt(std::expm1(variance))};
}

}  // namespace lobetime
