#pragma once
#include <lobetime/fit/objective.hpp>

#include <functional>
#include <string>
#include <string_view>
#include <vector>

namespace lobetime {

enum class Termination {
    not_started,
    converged,  ///< no step can gain what the digits of the cost would show
    at_iteration_limit,
    interrupted,
    failed
};

std::string_view termination_words(Termination termination);

struct MinimiseOptions {
    int max_iterations = 200;  ///< >= 1
    /// Stop when a full step promises to lower the cost by less than this share of it. With residuals in units of
    /// their spread, 1e-18 is about 1e-8 standard errors at a few hundred rows.
    double gain_tolerance = 1e-18;
    double step_tolerance = 1e-14;  ///< or when a step changes the parameters by less than this share
    int polish_steps = 100;         ///< Newton steps after the trust region has stopped, while they shrink the gradient
    std::function<bool()> interrupt;  ///< asked after each step; true stops
    void check() const;               ///< throws InvalidArgument naming the field
};

struct Minimum {
    Eigen::VectorXd theta;
    double cost = 0.0;
    double largest_gradient = 0.0;  ///< over parameters not on a bound
    int iterations = 0;
    Termination termination = Termination::not_started;
    std::string message = "the solver was not called";
    std::vector<std::string> on_bound;  ///< parameters that ended on a bound
    bool usable() const { return termination == Termination::converged; }
};

/// Minimises an objective inside bounds with Ceres's trust region.
///
/// Ceres sees one residual block of p + 1 residuals: z = R^-T g with Jacobian R, where R'R is the curvature and g
/// the gradient of the whole robust objective, and a slack sqrt(2C - |z|^2) with zero Jacobian. Cost and gradient are
/// exact (but for a parameter that a bound holds, which is taken out of the step), so bounds, step control and
/// termination stay Ceres's, at the price of one pass over the rows a step.
///
/// Throws InvalidArgument when sizes or bounds do not fit, NotFinite when the start cannot be evaluated.
Minimum minimise(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                 const Eigen::VectorXd& upper, Curvature curvature, const MinimiseOptions& options);

/// Throws NotIdentifiable naming the parameters that span the directions in which `curvature` is flat.
///
/// Columns are scaled to unit diagonal first; a direction is flat when its eigenvalue is below `tolerance`.
void require_identifiable(const Eigen::MatrixXd& curvature, const std::vector<std::string>& names,
                          double tolerance = 1e-10);

}  // namespace lobetime
