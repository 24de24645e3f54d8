#pragma once
#include <limits>

namespace lobetime {

/// What a paper says of one number in one series. NaN where it says nothing.
struct ReportedSummary {
    int n = 0;
    double mean = std::numeric_limits<double>::quiet_NaN(), sd = std::numeric_limits<double>::quiet_NaN();
    double min = std::numeric_limits<double>::quiet_NaN(), q1 = std::numeric_limits<double>::quiet_NaN();
    double median = std::numeric_limits<double>::quiet_NaN(), q3 = std::numeric_limits<double>::quiet_NaN();
    double max = std::numeric_limits<double>::quiet_NaN();
    void check() const;  ///< throws InvalidArgument: n below 2, an SD that is not positive, quantiles out of order
};

struct MeanSd {
    double mean, sd;
};

/// Mean and SD of the values, of which a paper gives these or quantiles. From quantiles by Luo, Stat Methods Med Res
/// 2018;27:1785 (mean) and Wan, BMC Med Res Methodol 2014;14:135, Shi, Res Synth Methods 2020;11:641 (SD), which take
/// the values as normal. Throws InvalidArgument where neither is enough: median and range, median and quartiles, or all
/// five are needed.
MeanSd mean_and_sd(const ReportedSummary& summary);

/// Mean and SD of the logarithms of positive values. From quantiles by the same on their logarithms, with the SD's
/// correction of Shi, J Appl Stat 2020;47:2537 for log-normal values; from mean and SD as those of a log-normal law.
MeanSd log_mean_and_sd(const ReportedSummary& summary);

/// Mean and SD of log-normal values: from quantiles by log_mean_and_sd and the back-transform of Shi, J Appl Stat
/// 2020;47:2537, which takes out what the sampling error of those two adds.
MeanSd log_normal_mean_and_sd(const ReportedSummary& summary);

/// Mean and SD of a log-normal law of which those of the logarithm are given.
MeanSd from_logs(const MeanSd& of_logs);

}  // namespace lobetime
