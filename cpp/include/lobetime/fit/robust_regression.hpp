#pragma once
#include <lobetime/fit/loss.hpp>
#include <lobetime/fit/minimise.hpp>
#include <lobetime/fit/scale.hpp>

#include <functional>
#include <string>
#include <vector>

namespace lobetime {

/// Mean of every row and its derivatives: fills `fitted` (n) and `jacobian` (n x p) at `theta` (p).
using MeanFunction =
    std::function<void(const Eigen::VectorXd& theta, Eigen::VectorXd& fitted, Eigen::MatrixXd& jacobian)>;

struct RegressionOptions {
    Loss loss{"bisquare"};
    ScaleMethod scale_method = ScaleMethod::mad;
    double scale = 1.0;              ///< the value held when the method is `fixed`, else not used
    int max_scale_rounds = 500;      ///< alternations of fit and scale
    double scale_tolerance = 1e-12;  ///< relative change of scale and parameters between rounds
    MinimiseOptions solver;
};

struct RegressionFit {
    Eigen::VectorXd theta;  ///< p
    double scale = 0.0;
    double cost = 0.0;          ///< sum of rho((y - mean) / scale)
    Eigen::VectorXd weights;    ///< n, psi(u) / u
    Eigen::VectorXd residuals;  ///< n
    int scale_rounds = 0;
    Minimum minimum;
};

/// Robust nonlinear regression y = mean(theta) + error: minimises sum rho((y - mean) / scale), with the scale
/// re-estimated after each minimisation until both stand still. The same solver and losses carry the time model.
///
/// Shapes: y n, start/lower/upper p. Throws InvalidArgument (sizes), NotFinite (row named), NotIdentifiable
/// (parameters named), NotConverged.
/// A redescending loss needs a start near the right minimum, e.g. a Huber fit.
RegressionFit fit_robust_regression(const MeanFunction& mean, const Eigen::VectorXd& y, const Eigen::VectorXd& start,
                                    const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
                                    const std::vector<std::string>& names, const RegressionOptions& options);

}  // namespace lobetime
