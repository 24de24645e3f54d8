#include <lobetime/core/errors.hpp>
#include <lobetime/fit/minimise.hpp>

#include <ceres/ceres.h>
#include <glog/logging.h>
#include <Eigen/Cholesky>
#include <Eigen/Eigenvalues>

#include <algorithm>
#include <cmath>
#include <exception>

namespace lobetime {
namespace {

constexpr double kLeastPivot = 1e-13;  // of a root whose columns have unit length
constexpr int kRestarts = 8;
/// A solver that stopped while a full step still promises this share of the cost has not converged, whatever it says.
constexpr double kStoppedShort = 1e-9;
constexpr double kSmallStep = 1e-9;

// A library call prints nothing. Ceres logs through glog, whose level is one for the whole process.
void silence_solver_log() {
    static const bool once = [] {
        FLAGS_minloglevel = google::GLOG_FATAL;
        return true;
    }();
    (void)once;
}

/// The whole objective as one Ceres block; the last evaluation is kept because Ceres asks for cost and Jacobian of
/// the same point in separate calls.
class CondensedBlock final : public ceres::CostFunction {
public:
    CondensedBlock(const Objective& objective, Curvature curvature, const Eigen::VectorXd& lower,
                   const Eigen::VectorXd& upper)
        : objective_(objective), curvature_(curvature), lower_(lower), upper_(upper) {
        mutable_parameter_block_sizes()->push_back(objective.size());
        set_num_residuals(objective.size() + 1);
        evaluation_.want_root = true;
    }

    // Ceres must not see exceptions; a point that cannot be evaluated is a step it should not take.
    bool Evaluate(double const* const* parameters, double* residuals, double** jacobians) const override {
        const Eigen::Index p = objective_.size();
        const Eigen::VectorXd theta = Eigen::Map<const Eigen::VectorXd>(parameters[0], p);
        if (!known_ || theta != theta_) {
            known_ = false;
            try {
                if (!condense(theta)) return false;
            } catch (const NotFinite& error) {
                failure_ = error.what();
                return false;
            } catch (...) {
                thrown_ = std::current_exception();
                return false;
            }
            theta_ = theta;
            known_ = true;
        }
        Eigen::Map<Eigen::VectorXd> out(residuals, p + 1);
        out.head(p) = condensed_;
        out[p] = slack_;
        if (jacobians != nullptr && jacobians[0] != nullptr) {
            Eigen::Map<Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>> jacobian(jacobians[0],
                                                                                                        p + 1, p);
            jacobian.topRows(p) = root_;
            jacobian.row(p).setZero();
        }
        return true;
    }

    const std::string& failure() const { return failure_; }
    /// Anything else that the objective threw (a mean function of the user's may throw what it likes).
    const std::exception_ptr& thrown() const { return thrown_; }

    /// g' H^-1 g / (2 cost) where last evaluated: what a full step promises to gain, relative to the cost.
    double promised_gain() const { return evaluation_.cost > 0.0 ? 0.5 * decrement2_ / evaluation_.cost : 0.0; }

    /// Whether a full step from a point would gain no more than `gain` of the cost there, or would move no parameter
    /// by more than kSmallStep of it (a cost that is all rounding promises anything).
    bool settled_at(const Eigen::VectorXd& theta, double gain) const {
        known_ = false;
        try {
            if (!condense(theta)) return false;
        } catch (const NotFinite&) {
            return false;
        }
        if (promised_gain() <= gain) return true;
        const Eigen::VectorXd step = root_.triangularView<Eigen::Upper>().solve(condensed_);
        return (step.array().abs() <= kSmallStep * theta.array().abs()).all();
    }

private:
    bool condense(const Eigen::VectorXd& theta) const {
        objective_.evaluate(theta, curvature_, evaluation_);
        failure_ = "the curvature is not positive definite";
        if (factorise(theta)) return true;
        if (curvature_ == Curvature::reweighted) return false;
        objective_.evaluate(theta, Curvature::reweighted, evaluation_);
        return factorise(theta);
    }

    bool factorise(const Eigen::VectorXd& theta) const {
        const Eigen::Index p = evaluation_.gradient.size();
        if (!std::isfinite(evaluation_.cost) || !evaluation_.gradient.allFinite() ||
            !evaluation_.curvature.allFinite()) {
            failure_ = "cost, gradient or curvature is not finite";
            return false;
        }
        // Ceres projects its step onto the bounds. A parameter held by one must not pull the others along in the step
        // that is computed before, so it is taken out of the step (the cost stays as it is).
        bool whole = evaluation_.root.rows() == p;
        for (Eigen::Index i = 0; i < p; ++i) {
            const double gradient = evaluation_.gradient[i];
            const bool fixed = lower_[i] == upper_[i];
            if (!fixed && !((theta[i] <= lower_[i] && gradient > 0.0) || (theta[i] >= upper_[i] && gradient < 0.0)))
                continue;
            whole = false;
            const double own = fixed ? 1.0 : evaluation_.curvature(i, i);
            evaluation_.curvature.row(i).setZero();
            evaluation_.curvature.col(i).setZero();
            evaluation_.curvature(i, i) = own;
            evaluation_.gradient[i] = 0.0;
        }
        // Columns are scaled to unit diagonal: on badly scaled parameters plain normal equations lose digits.
        Eigen::VectorXd scale = evaluation_.curvature.diagonal();
        for (Eigen::Index i = 0; i < p; ++i) scale[i] = scale[i] > 0.0 ? std::sqrt(scale[i]) : 1.0;
        if (whole) {
            const Eigen::MatrixXd unit = evaluation_.root * scale.cwiseInverse().asDiagonal();
            if (unit.diagonal().cwiseAbs().minCoeff() > kLeastPivot) {
                root_ = evaluation_.root;
                condensed_ =
                    unit.triangularView<Eigen::Upper>().transpose().solve(evaluation_.gradient.cwiseQuotient(scale));
                return keep_below_cost();
            }
        }
        const Eigen::MatrixXd scaled =
            scale.cwiseInverse().asDiagonal() * evaluation_.curvature * scale.cwiseInverse().asDiagonal();
        double ridge = 0.0;
        for (int attempt = 0;; ++attempt) {
            Eigen::MatrixXd raised = scaled;
            raised.diagonal().array() += ridge;
            const Eigen::LLT<Eigen::MatrixXd> cholesky(raised);
            if (cholesky.info() == Eigen::Success && cholesky.matrixL().toDenseMatrix().diagonal().minCoeff() > 1e-9) {
                root_ = Eigen::MatrixXd(cholesky.matrixU()) * scale.asDiagonal();
                condensed_ = cholesky.matrixL().solve(evaluation_.gradient.cwiseQuotient(scale));
                break;
            }
            // A flat direction away from the minimum is no reason to stop; identifiability is judged at the minimum.
            ridge = attempt == 0 ? 1e-12 : ridge * 100.0;
            if (ridge > 1e-4) return false;
        }
        return keep_below_cost();
    }

    bool keep_below_cost() const {
        const double length2 = condensed_.squaredNorm();
        decrement2_ = length2;
        const double twice_cost = 2.0 * evaluation_.cost;
        if (length2 > twice_cost) {
            // Steeper curvature keeps cost and gradient exact and only shortens the step.
            const double factor = std::sqrt(length2 / std::max(twice_cost, 1e-300));
            root_ *= factor;
            condensed_ /= factor;
            slack_ = 0.0;
        } else {
            slack_ = std::sqrt(twice_cost - length2);
        }
        return std::isfinite(slack_) && condensed_.allFinite();
    }

    const Objective& objective_;
    Curvature curvature_;
    const Eigen::VectorXd& lower_;
    const Eigen::VectorXd& upper_;
    mutable bool known_ = false;
    mutable Eigen::VectorXd theta_;
    mutable Evaluation evaluation_;
    mutable Eigen::MatrixXd root_;
    mutable Eigen::VectorXd condensed_;
    mutable double slack_ = 0.0;
    mutable double decrement2_ = 0.0;
    mutable std::string failure_;
    mutable std::exception_ptr thrown_;
};

/// Stops where a further step can gain nothing that the cost's last digits would show. Ceres's own test compares
/// costs before and after a step, which near the minimum is noise and ends in a long row of rejected steps.
class StopCallback final : public ceres::IterationCallback {
public:
    StopCallback(const CondensedBlock& block, const MinimiseOptions& options) : block_(block), options_(options) {}
    ceres::CallbackReturnType operator()(const ceres::IterationSummary& step) override {
        if (block_.thrown() || (options_.interrupt && options_.interrupt())) return ceres::SOLVER_ABORT;
        if (step.step_is_successful || step.iteration == 0) gain_ = block_.promised_gain();
        const double enough = step.step_is_successful || step.iteration == 0
                                  ? options_.gain_tolerance
                                  : std::max(options_.gain_tolerance, kNoiseOfCost);
        return gain_ <= enough ? ceres::SOLVER_TERMINATE_SUCCESSFULLY : ceres::SOLVER_CONTINUE;
    }

private:
    static constexpr double kNoiseOfCost = 1e-15;
    const CondensedBlock& block_;
    const MinimiseOptions& options_;
    double gain_ = 1.0;
};

/// Undamped Newton steps judged by the gradient. A trust region judges by the cost, which is flat to rounding within
/// about 1e-8 of the parameters; the gradient is not.
void polish(const Objective& objective, const Eigen::VectorXd& lower, const Eigen::VectorXd& upper, int steps,
            Eigen::VectorXd& theta) {
    const Eigen::Index p = theta.size();
    Evaluation evaluation;
    evaluation.want_root = true;
    const auto newton = [&](const Eigen::VectorXd& at, Eigen::VectorXd& step) {
        objective.evaluate(at, Curvature::exact, evaluation);
        Eigen::VectorXd gradient = evaluation.gradient, scale(p);
        Eigen::MatrixXd curvature = evaluation.curvature;
        bool whole = evaluation.root.rows() == p;
        for (Eigen::Index i = 0; i < p; ++i) {
            if (at[i] <= lower[i] || at[i] >= upper[i]) {
                whole = false;
                gradient[i] = 0.0;
                curvature.row(i).setZero();
                curvature.col(i).setZero();
                curvature(i, i) = 1.0;
            }
            if (!(curvature(i, i) > 0.0)) return -1.0;
            scale[i] = 1.0 / std::sqrt(curvature(i, i));
        }
        if (whole) {
            const Eigen::MatrixXd unit = evaluation.root * scale.asDiagonal();
            const auto upper_root = unit.triangularView<Eigen::Upper>();
            if (unit.diagonal().cwiseAbs().minCoeff() <= kLeastPivot) return -1.0;
            const Eigen::VectorXd condensed = upper_root.transpose().solve(scale.cwiseProduct(gradient));
            step = -scale.cwiseProduct(upper_root.solve(condensed));
        } else {
            const Eigen::LLT<Eigen::MatrixXd> cholesky(
                Eigen::MatrixXd(scale.asDiagonal() * curvature * scale.asDiagonal()));
            if (cholesky.info() != Eigen::Success) return -1.0;
            step = -scale.cwiseProduct(cholesky.solve(scale.cwiseProduct(gradient)));
        }
        const double decrement2 = -step.dot(gradient);
        return std::isfinite(decrement2) ? std::sqrt(std::max(decrement2, 0.0)) : -1.0;
    };
    Eigen::VectorXd step, next_step;
    double decrement = newton(theta, step);
    for (int k = 0; k < steps && decrement > 0.0; ++k) {
        const Eigen::VectorXd next = (theta + step).cwiseMax(lower).cwiseMin(upper);
        double next_decrement = -1.0;
        try {
            next_decrement = newton(next, next_step);
        } catch (const NotFinite&) {
            return;
        }
        if (next_decrement < 0.0 || next_decrement >= decrement) return;
        theta = next;
        step = next_step;
        decrement = next_decrement;
    }
}

}  // namespace

std::string_view termination_words(Termination termination) {
    switch (termination) {
        case Termination::not_started:
            return "not started";
        case Termination::converged:
            return "converged";
        case Termination::at_iteration_limit:
            return "stopped at the iteration limit";
        case Termination::interrupted:
            return "interrupted";
        case Termination::failed:
            return "failed";
    }
    return "unknown";
}

void MinimiseOptions::check() const {
    if (max_iterations < 1) throw InvalidArgument("max_iterations must be at least 1");
    const auto check_tolerance = [](double value, const char* name) {
        if (!(value >= 0.0 && value < 1.0)) throw InvalidArgument(std::string(name) + " must lie in [0, 1)");
    };
    check_tolerance(gain_tolerance, "gain_tolerance");
    check_tolerance(step_tolerance, "step_tolerance");
}

Minimum minimise(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                 const Eigen::VectorXd& upper, Curvature curvature, const MinimiseOptions& options) {
    options.check();
    silence_solver_log();
    const Eigen::Index p = objective.size();
    if (start.size() != p || lower.size() != p || upper.size() != p)
        throw InvalidArgument("minimise: start and bounds need one entry for each of the " + std::to_string(p) +
                              " parameters");
    if (!start.allFinite()) throw InvalidArgument("minimise: the start is not finite");
    for (Eigen::Index i = 0; i < p; ++i) {
        if (!(lower[i] <= upper[i]))
            throw InvalidArgument("minimise: bounds of " + objective.parameter_names()[static_cast<std::size_t>(i)] +
                                  " are empty");
    }
    Minimum minimum;
    minimum.theta = start.cwiseMax(lower).cwiseMin(upper);
    Evaluation evaluation;
    objective.evaluate(minimum.theta, Curvature::reweighted, evaluation);  // a bad start is told by name, not by Ceres
    if (!std::isfinite(evaluation.cost) || !evaluation.gradient.allFinite() || !evaluation.curvature.allFinite())
        throw NotFinite("the objective is not finite at the start");

    ceres::Problem problem;
    auto* block = new CondensedBlock(objective, curvature, lower, upper);  // the problem takes ownership
    problem.AddResidualBlock(block, nullptr, minimum.theta.data());
    for (int i = 0; i < objective.size(); ++i) {
        if (lower[i] == upper[i]) continue;  // Ceres wants room between bounds; the step is zero there anyway
        if (std::isfinite(lower[i])) problem.SetParameterLowerBound(minimum.theta.data(), i, lower[i]);
        if (std::isfinite(upper[i])) problem.SetParameterUpperBound(minimum.theta.data(), i, upper[i]);
    }
    ceres::Solver::Options solver;
    solver.linear_solver_type = ceres::DENSE_QR;
    solver.trust_region_strategy_type = ceres::LEVENBERG_MARQUARDT;
    solver.max_num_iterations = options.max_iterations;
    solver.function_tolerance = 0.0;
    solver.gradient_tolerance = 0.0;
    solver.parameter_tolerance = options.step_tolerance;
    solver.logging_type = ceres::SILENT;
    solver.num_threads = 1;
    StopCallback stop(*block, options);
    solver.callbacks.push_back(&stop);
    ceres::Solver::Summary summary;
    bool stopped_short = false;
    for (int attempt = 0; attempt < kRestarts; ++attempt) {
        ceres::Solve(solver, &problem, &summary);
        if (block->thrown()) std::rethrow_exception(block->thrown());
        minimum.iterations += static_cast<int>(summary.iterations.size());
        if (summary.termination_type != ceres::CONVERGENCE && summary.termination_type != ceres::USER_SUCCESS) break;
        polish(objective, lower, upper, options.polish_steps, minimum.theta);
        stopped_short = !block->settled_at(minimum.theta, std::max(kStoppedShort, 10.0 * options.gain_tolerance));
        // A trust region that has shrunk to nothing on the way opens again.
        if (!stopped_short) break;
    }
    objective.evaluate(minimum.theta, Curvature::reweighted, evaluation);
    minimum.cost = evaluation.cost;
    for (Eigen::Index i = 0; i < p; ++i) {
        const double margin = 1e-9 * std::max(1.0, std::abs(minimum.theta[i]));
        const bool at_bound = minimum.theta[i] <= lower[i] + margin || minimum.theta[i] >= upper[i] - margin;
        if (lower[i] == upper[i]) continue;  // held, not driven there
        if (at_bound)
            minimum.on_bound.push_back(objective.parameter_names()[static_cast<std::size_t>(i)]);
        else
            minimum.largest_gradient = std::max(minimum.largest_gradient, std::abs(evaluation.gradient[i]));
    }
    switch (summary.termination_type) {
        case ceres::CONVERGENCE:
        case ceres::USER_SUCCESS:
            minimum.termination = Termination::converged;
            break;
        case ceres::NO_CONVERGENCE:
            minimum.termination = Termination::at_iteration_limit;
            break;
        case ceres::USER_FAILURE:
            minimum.termination = Termination::interrupted;
            break;
        default:
            minimum.termination = Termination::failed;
            break;
    }
    if (stopped_short && minimum.termination == Termination::converged) minimum.termination = Termination::failed;
    minimum.message = std::string(termination_words(minimum.termination));
    if (stopped_short && minimum.termination == Termination::failed)
        minimum.message += ": the cost falls no further although the gradient is not zero";
    else if (minimum.termination == Termination::failed && !block->failure().empty())
        minimum.message += ": " + block->failure();
    return minimum;
}

void require_identifiable(const Eigen::MatrixXd& curvature, const std::vector<std::string>& names, double tolerance) {
    if (!curvature.allFinite()) throw NotFinite("the curvature of the objective is not finite");
    std::vector<bool> flat(names.size(), false);
    Eigen::VectorXd scale = curvature.diagonal();
    const double largest = scale.maxCoeff();
    for (Eigen::Index i = 0; i < scale.size(); ++i) {
        if (!(scale[i] > 1e-300 && scale[i] > 1e-26 * largest)) {
            flat[static_cast<std::size_t>(i)] = true;
            scale[i] = 1.0;
        } else {
            scale[i] = std::sqrt(scale[i]);
        }
    }
    const Eigen::SelfAdjointEigenSolver<Eigen::MatrixXd> eigen(scale.cwiseInverse().asDiagonal() * curvature *
                                                               scale.cwiseInverse().asDiagonal());
    for (Eigen::Index k = 0; k < eigen.eigenvalues().size(); ++k) {
        if (eigen.eigenvalues()[k] > tolerance) continue;
        for (Eigen::Index i = 0; i < scale.size(); ++i) {
            if (std::abs(eigen.eigenvectors()(i, k)) > 0.1 * eigen.eigenvectors().col(k).cwiseAbs().maxCoeff())
                flat[static_cast<std::size_t>(i)] = true;
        }
    }
    std::vector<std::string> named;
    std::string list;
    for (std::size_t i = 0; i < names.size(); ++i) {
        if (!flat[i]) continue;
        named.push_back(names[i]);
        list += (list.empty() ? "" : ", ") + names[i];
    }
    if (!named.empty())
        throw NotIdentifiable("the cases cannot tell these parameters (or a combination of them): " + list +
                                  "; give them a prior, or cases that vary in what they act on",
                              named);
}

}  // namespace lobetime
