#pragma once
#include <lobetime/evidence/published_prior.hpp>

#include <string>
#include <string_view>
#include <utility>
#include <vector>

namespace lobetime {

/// Events among cases, as one source has them. Not whole where a percentage was reported.
struct RateCounts {
    std::string id, citation;
    double events = 0.0, cases = 0.0;
    bool sourced = true;  ///< false: common practice, taken for a few cases
    bool direct = true;   ///< false: of other cases than those it is used for
};

/// Published and commonly known counts of an event by device class.
///
/// Events: wall_injury, malfunction, other_route, hard_nodule. Classes as `device_class_name`, "oscillating/vacuum,
/// newer", or "any" where a source does not say. Empty where there are none.
std::vector<RateCounts> published_rates(std::string_view event, std::string_view device_class);
/// Those that have counts: event and device class.
std::vector<std::pair<std::string, std::string>> published_rate_classes();

/// Exact interval of a chance (Clopper and Pearson, Biometrika 1934;26:404). Throws InvalidArgument.
std::pair<double, double> clopper_pearson(double events, double cases, double level = 0.95);

/// Log likelihood of the binomial-normal model: logit of a unit's chance ~ N(logit, between_sd^2); the integral over
/// each unit's chance by adaptive Gauss-Hermite quadrature (Stat Med 2010;29:3046). Without the binomial coefficients.
double binomial_normal_log_likelihood(const std::vector<RateCounts>& counts, double logit, double between_sd);

/// A chance pooled over units. No continuity correction: no event in n cases is a likelihood like any other.
struct PooledRate {
    double rate = 0.0;        ///< of the median unit, maximum likelihood; 0 without an event
    double lower, upper;      ///< profile likelihood, 95 %
    double between_sd = 0.0;  ///< logit scale, maximum likelihood; 0 is legal
    double i2_percent = 0.0;  ///< share of between_sd^2 in the variance of a typical study's logit; NaN of one study
    int studies = 0;
    double cases = 0.0, events = 0.0;
    /// A new unit's chance: the logit's mean integrated under Jeffreys' density of a single binomial, sqrt(p (1 - p))
    /// on the logit scale, and the spread under a half-normal of scale 0.5 (Res Synth Methods 2021;12:448): so few
    /// studies do not tell that spread. Mean, and variance of the logit.
    double predicted_mean, predicted_logit_variance;

    std::string method() const;
    /// Events and cases of a Beta distribution with the pooled rate (the predicted mean, if no event was seen) as its
    /// mean and the predicted variance of the logit.
    std::pair<double, double> pseudo_counts() const;
};

/// Throws InvalidArgument: no counts, events outside 0 to cases.
PooledRate pool_rates(const std::vector<RateCounts>& counts);

/// 90 % interval of a new unit's chance, by the same weights as PooledRate's prediction.
std::pair<double, double> predicted_rate_interval(const std::vector<RateCounts>& counts);

/// Each event and class that has counts, pooled and graded.
std::vector<PooledFigure> pooled_rate_figures();

}  // namespace lobetime
