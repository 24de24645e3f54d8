#pragma once
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/mean_model.hpp>
#include <lobetime/fit/minimise.hpp>

#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

/// What is normal about its mean: the response, or its logarithm.
enum class ResponseLaw { normal, lognormal };

ResponseLaw response_law_from_name(std::string_view name);  ///< throws InvalidArgument naming the known ones

struct CensoredOptions {
    ResponseLaw law = ResponseLaw::lognormal;
    Loss loss{"squares"};  ///< of exact rows; squares are maximum likelihood
    int max_scale_rounds = 1000;
    double scale_tolerance = 1e-12;  ///< relative change of scale and parameters between rounds
    MinimiseOptions solver = [] {
        MinimiseOptions options;
        options.max_iterations = 1000;
        return options;
    }();
    void check() const;  ///< throws InvalidArgument naming the field
};

/// What a censored row adds to -log likelihood, -log P(a < Z < b), with derivatives in its mean, times the scale, and
/// in the log of the scale; a = (lower - mean) / scale, b likewise, may be infinite.
struct CensoredTerm {
    double cost;
    double mean, log_scale;                                 ///< first derivatives
    double mean_mean, mean_log_scale, log_scale_log_scale;  ///< second ones
};
CensoredTerm censored_term(double a, double b);

/// E[min(Z^2, k^2) | a < Z < b] of a standard normal Z.
double censored_square(double a, double b, double k);

struct CensoredFit {
    std::vector<std::string> names;  ///< p
    Eigen::VectorXd theta;           ///< p
    double scale = 0.0;
    double log_likelihood = 0.0;  ///< of the response, in its own unit; NaN unless the loss is squares
    Eigen::VectorXd fitted;       ///< n, means of the response or of its logarithm
    Eigen::VectorXd weights;      ///< n, psi(u) / u of exact rows; NaN for censored ones
    Eigen::MatrixXd jacobian;     ///< n x p, of the mean
    Eigen::MatrixXd bread;        ///< p + 1: derivative of the summed scores in (theta, log scale)
    Eigen::MatrixXd scores;       ///< n x (p + 1)
    Loss loss;
    Eigen::Index exact = 0, right = 0, left = 0, interval = 0;  ///< rows of each kind
    int scale_rounds = 0;
    std::string message;

    /// (p + 1) x (p + 1), of (theta, log scale): inverse of the observed information (squares only, else
    /// InvalidArgument).
    Eigen::MatrixXd information_covariance() const;
    /// The same by the sandwich B^-1 M B^-T n / (n - p), M the summed squares of the scores.
    Eigen::MatrixXd sandwich_covariance() const;
};

/// Regression with rows known exactly, or only to lie above, below or between limits.
///
///     y or log y = mean(theta) + scale * z,  z standard normal but for outliers.
///
/// `lower`, `upper` (n, in the unit of the response): equal for an exact row; an infinite upper is a row censored from
/// the right, a lower of -infinity (or 0 of a log-normal response) one from the left.
///
/// Exact rows add k rho(u), k the loss's information factor, censored rows -log P(lower < y < upper) under the normal.
/// With squares theta and scale are those of maximum likelihood. With another loss they settle in turn, the scale by
/// Huber's Proposal 2 in which a censored row counts as it is expected to:
///
///     sum of exact min(u^2, k^2) + sum of censored E[min(Z^2, k^2) | a < Z < b] = (n - p) E[min(Z^2, k^2)],
///
/// k = 1.345 (with huber, its constant), so that censoring does not bias it. Without censored rows this is the plain
/// M-estimate with Proposal 2. A censored row far beyond the curve still pulls without bound: a duration that was cut
/// off is measured by a clock, not typed from memory.
///
/// Source: Tobin, Econometrica 1958;26:24-36, doi 10.2307/1907382; Huber and Ronchetti, Robust Statistics, 2nd ed.,
/// ch. 7; the expectation is the E step of Dempster, Laird and Rubin, J R Stat Soc B 1977;39:1-38.
///
/// Throws InvalidArgument (sizes, limits in the wrong order; row named), NotFinite (row named), NotIdentifiable
/// (parameters named; nothing closed from above or below), NotConverged.
CensoredFit fit_censored_regression(const MeanModel& mean, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
                                    const std::vector<std::string>& names, const Eigen::VectorXd& start,
                                    const CensoredOptions& options = {});

}  // namespace lobetime
