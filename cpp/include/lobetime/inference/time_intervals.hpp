#pragma once
#include <lobetime/cases/case_table.hpp>
#include <lobetime/fit/theatre_time_fit.hpp>
#include <lobetime/inference/bootstrap.hpp>
#include <lobetime/inference/fitted_model.hpp>
#include <lobetime/inference/quantity.hpp>
#include <lobetime/inference/regression_inference.hpp>

#include <Eigen/Core>

#include <optional>
#include <string>
#include <vector>

namespace lobetime {

struct TimeIntervalOptions {
    IntervalMethod method = IntervalMethod::sandwich;
    double level = 0.95;
    CovarianceRule rule =
        CovarianceRule::hc2;  ///< of the sandwich and of the profile's deviance; clusters have their own
    bool by_surgeon = false;  ///< cases of one surgeon may be correlated; a case without a code stands alone
    bool bca = true;          ///< of the bootstrap; false: percentile
    /// Of the bootstrap; threads and progress (quantities done) of the profile as well.
    ReplicateOptions replicates;
    std::optional<Replicates> done;  ///< of the bootstrap: all replicates, when they were computed in parts before
};

struct TimeInterval {
    Interval interval;
    std::string reason;  ///< why an end is open, or of what it says less than it seems to; empty: nothing to say
};

/// Intervals of quantities from a model's own covariance, which a model file holds too: estimate -+ normal quantile x
/// standard error on each quantity's scale (delta method). An end that reaches a bound of its parameter is open.
/// `level`: 0 < level < 1.
std::vector<TimeInterval> confidence_intervals(const FittedModel& model, const std::vector<Quantity>& quantities,
                                               double level);

struct TimeIntervals {
    std::vector<TimeInterval> intervals;  ///< in the order of the quantities
    int clusters = 0;                     ///< surgeons (and cases without a code); 0 when cases are drawn by themselves
    std::vector<std::string> failures;    ///< replicates without an estimate, and why
};

/// Covariance of the estimate on the working scale, p x p: A^-1 (M + P) A^-1 with A the curvature, P the prior
/// precision and M the sum over cases of score score', by `rule`
///
///     hc0    as it is
///     hc1    times n / (n - q), q the trace of all leverages (what the cases decide of the parameters)
///     hc2    each observation's part of a score divided by sqrt(1 - its leverage) (of which at most 0.9 count)
///     hc3    by 1 - its leverage
///     model  A^-1 alone: spreads and loss taken as right
///
/// or, `by_surgeon`, over surgeons of the square of their summed scores, times G / (G - 1) (n - 1) / (n - q) (CR1;
/// Cameron and Miller, J Hum Resour 2015;50:317, doi 10.3368/jhr.50.2.317); `rule` is not used then.
/// `objective`: that of the fit, see `objective_of`. Throws InvalidArgument for fewer than two clusters.
Eigen::MatrixXd time_covariance(const TheatreTimeFit& fit, const TimeObjective& objective, const CaseTable& cases,
                                CovarianceRule rule, bool by_surgeon);

/// A part of the bootstrap of a fit, see `bootstrap_part`: cases (or surgeons) drawn again. `cases`, `prior`,
/// `fit_options`: those of the fit.
Replicates time_replicates(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                           const FitOptions& fit_options, bool by_surgeon, const ReplicateOptions& options);

/// Intervals of quantities of the time model, natural scale. `cases`, `prior`, `fit_options`: those of the fit.
///
///     sandwich   estimate -+ z standard errors on each quantity's scale (delta method)
///     profile    on the robust objective with the spreads held, the deviance in units of the sandwich's variance over
///                the curvature's
///     bootstrap  cases or surgeons drawn again; spreads estimated again and the prior's centre drawn, so that its
///                width counts as in the sandwich. The acceleration comes from influence values A^-1 score.
///
/// z is the normal's quantile, by surgeon that of t with G - 1 degrees of freedom.
///
/// An end is open (NaN, with a reason) where it reaches a bound of its parameter, where the profile does not close it,
/// where the replicates do not reach, and by surgeon where a quantity depends on a single surgeon's own level, on which
/// other surgeons have nothing to say.
///
/// Throws InvalidArgument (options, other cases than the fit's), NotConverged (stopped by `progress`, bootstrap
/// failures), NotIdentifiable. A profile that does not settle leaves its quantity open with the reason.
TimeIntervals time_intervals(const TheatreTimeFit& fit, const CaseTable& cases, const PriorSet& prior,
                             const FitOptions& fit_options, const std::vector<Quantity>& quantities,
                             const TimeIntervalOptions& options);

}  // namespace lobetime
