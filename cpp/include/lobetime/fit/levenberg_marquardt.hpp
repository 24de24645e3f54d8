#pragma once
#include <lobetime/fit/minimise.hpp>
#include <lobetime/fit/objective.hpp>

namespace lobetime {

struct LevenbergOptions {
    int max_iterations = 100;  ///< accepted and rejected steps together, >= 1
    /// Stop when a full step promises to lower the cost by less than this share of it.
    double gain_tolerance = 1e-15;
    double first_damping = 1e-3;      ///< of the curvature scaled to unit diagonal
    std::function<bool()> interrupt;  ///< asked after each step; true stops
    void check() const;               ///< throws InvalidArgument naming the field
};

/// The small solver of replicates: the same condensed objective as `minimise`, without an object of Ceres for each.
///
/// Levenberg-Marquardt on the curvature scaled to unit diagonal (Nielsen's damping, IMM-REP-1999-05), with steps
/// projected onto the bounds; a parameter that a bound holds is taken out of the step. Given Curvature::exact it
/// falls back to the reweighted curvature where the exact one is not positive definite. A point that cannot be
/// evaluated is a rejected step.
///
/// Throws InvalidArgument when sizes or bounds do not fit, NotFinite when the start cannot be evaluated.
Minimum levenberg_marquardt(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                            const Eigen::VectorXd& upper, Curvature curvature, const LevenbergOptions& options = {});

}  // namespace lobetime
