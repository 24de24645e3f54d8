#pragma once
#include <lobetime/fit/robust_regression.hpp>
#include <lobetime/inference/bootstrap.hpp>
#include <lobetime/inference/profile.hpp>
#include <lobetime/inference/quantity.hpp>

#include <Eigen/Core>

#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// How the covariance of an M-estimate is found. With s_i the score of row i, h_i its leverage, A the curvature:
///
///     model  equal spread and the right loss assumed: scale^2 times K^2 (sum psi^2 / (n - p)) / (mean psi')^2 times
///            (J'J)^-1, K = 1 + p / n var(psi') / (mean psi')^2 (Huber and Ronchetti, Robust Statistics, 2nd ed., 7.6)
///     hc0    A^-1 (sum s s') A^-1: robust against unequal spread and a wrong loss
///     hc1    hc0 times n / (n - p)
///     hc2    each score by 1 / sqrt(1 - h)
///     hc3    each score by 1 / (1 - h)
///
/// For squares these are the rules of MacKinnon and White, J Econometrics 1985;29:305. Leverages are of the reweighted
/// fit: h_i = w_i J_i' (sum w J J')^-1 J_i.
enum class CovarianceRule { model, hc0, hc1, hc2, hc3 };

CovarianceRule covariance_rule_from_name(std::string_view name);  ///< throws InvalidArgument naming the known ones

/// n, in [0, 1).
Eigen::VectorXd leverages(const RegressionFit& fit);

/// Curvature of the objective at the fit (psi' as it is; p x p). Throws NotIdentifiable when it is not positive
/// definite.
Eigen::MatrixXd regression_curvature(const RegressionFit& fit);

/// p x p. Throws NotIdentifiable where a parameter is on its bound (named) or the curvature is not positive definite.
Eigen::MatrixXd regression_covariance(const RegressionFit& fit, CovarianceRule rule);

/// Scores of a cluster are summed before they are squared, so that rows of one cluster may be correlated; times
/// G / (G - 1) (n - 1) / (n - p) (CR1; Cameron and Miller, J Hum Resour 2015;50:317). `cluster`: n numbers from 0 on.
Eigen::MatrixXd regression_covariance_clustered(const RegressionFit& fit, std::span<const int> cluster);

/// A^-1 s_i for each row, n x p: how far the row moves the estimate, to first order.
Eigen::MatrixXd regression_influence(const RegressionFit& fit);

enum class IntervalMethod { sandwich, profile, bootstrap };

struct RegressionIntervalOptions {
    IntervalMethod method = IntervalMethod::sandwich;
    double level = 0.95;
    CovarianceRule rule = CovarianceRule::hc2;  ///< of the sandwich, and of the profile's deviance
    std::vector<int>
        cluster;      ///< n numbers from 0 on: rows of one may be correlated (CR1); empty: rows are independent
    bool bca = true;  ///< of the bootstrap; false: percentile
    ReplicateOptions replicates;
    std::optional<Replicates> done;   ///< of the bootstrap: all replicates, when they were computed in parts before
    std::function<bool()> interrupt;  ///< of the profile; true stops
};

struct RegressionInterval {
    std::string name;
    double standard_error = 0.0;  ///< NaN for the bootstrap where it is not used
    Interval interval;
    std::string reason;  ///< why an end is open
};

/// Intervals of quantities of the parameters.
///
///     sandwich   estimate -+ t standard errors, t with n - p degrees of freedom (clusters - 1 when clustered)
///     profile    on the robust objective, the scale held; the deviance is measured in units of the sandwich's variance
///                over the curvature's, so that with squares and rule `model` the limits are the exact profile-t ones
///     bootstrap  rows or clusters drawn again, scale estimated again
///
/// Throws as the covariance, `bootstrap` and `profile_interval` do.
std::vector<RegressionInterval> regression_intervals(const RobustRegression& regression, const RegressionFit& fit,
                                                     const std::vector<Quantity>& quantities,
                                                     const RegressionIntervalOptions& options);

/// A part of the bootstrap of a fit, see `bootstrap_part`. `cluster`: as in the options.
Replicates regression_replicates(const RobustRegression& regression, const RegressionFit& fit,
                                 const std::vector<int>& cluster, const ReplicateOptions& options);

/// The parameters themselves as quantities.
std::vector<Quantity> parameter_quantities(const RegressionFit& fit);

/// Quantile of Student's t (Boost.Math).
double t_quantile(double p, double degrees);

}  // namespace lobetime
