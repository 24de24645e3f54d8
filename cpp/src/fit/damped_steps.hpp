#pragma once
#include <lobetime/fit/objective.hpp>

#include <Eigen/Cholesky>

#include <algorithm>
#include <cmath>

namespace lobetime {

/// Whether a bound, or two that coincide, keep a parameter from following its gradient.
inline bool held_by_bound(double theta, double lower, double upper, double gradient) {
    return (theta <= lower && gradient > 0.0) || (theta >= upper && gradient < 0.0) || lower == upper;
}

/// Damped steps from one point. The curvature is scaled to unit diagonal: on badly scaled parameters plain normal
/// equations lose digits.
class DampedSteps {
public:
    /// False when the evaluation is not finite.
    bool prepare(const Evaluation& at, const Eigen::VectorXd& theta, const Eigen::VectorXd& lower,
                 const Eigen::VectorXd& upper) {
        if (!std::isfinite(at.cost) || !at.gradient.allFinite() || !at.curvature.allFinite()) return false;
        const Eigen::Index p = theta.size();
        scale_ = at.curvature.diagonal();
        scaled_ = at.curvature;
        gradient_ = at.gradient;
        for (Eigen::Index i = 0; i < p; ++i) {
            if (held_by_bound(theta[i], lower[i], upper[i], gradient_[i])) {
                scaled_.row(i).setZero();
                scaled_.col(i).setZero();
                scaled_(i, i) = scale_[i] = 1.0;
                gradient_[i] = 0.0;
            }
            scale_[i] = scale_[i] > 0.0 ? 1.0 / std::sqrt(scale_[i]) : 1.0;
        }
        scaled_ = scale_.asDiagonal() * scaled_ * scale_.asDiagonal();
        gradient_.array() *= scale_.array();
        return true;
    }

    /// False when the damped curvature is not safely positive definite.
    bool solve(double damping) {
        work_ = scaled_;
        work_.diagonal().array() += damping;
        cholesky_.compute(work_);
        if (cholesky_.info() != Eigen::Success || cholesky_.matrixLLT().diagonal().minCoeff() < 1e-9) return false;
        const Eigen::VectorXd scaled_step = -cholesky_.solve(gradient_);
        // -g's - 1/2 s'Hs with (H + damping I) s = -g.
        promised_ = -0.5 * gradient_.dot(scaled_step) + 0.5 * damping * scaled_step.squaredNorm();
        step_ = scale_.cwiseProduct(scaled_step);
        return step_.allFinite();
    }

    /// What an undamped step promises to take off the cost; a little damping where the curvature is flat.
    double full_gain() {
        for (double damping = 0.0; damping < 1e-3; damping = std::max(1e-12, damping * 100.0)) {
            if (solve(damping)) return promised_;
        }
        return 1e300;
    }

    const Eigen::VectorXd& step() const { return step_; }
    double promised() const { return promised_; }

private:
    Eigen::VectorXd scale_, gradient_, step_;
    Eigen::MatrixXd scaled_, work_;
    Eigen::LLT<Eigen::MatrixXd> cholesky_;
    double promised_ = 0.0;
};

}  // namespace lobetime
