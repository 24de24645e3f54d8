#include <lobetime/core/errors.hpp>
#include <lobetime/fit/robust_regression.hpp>

#include <algorithm>
#include <cmath>

namespace lobetime {
namespace {

class RegressionObjective final : public Objective {
public:
    RegressionObjective(const MeanFunction& mean, const Eigen::VectorXd& y, const std::vector<std::string>& names,
                        const Loss& loss)
        : mean_(mean), y_(y), names_(names), loss_(loss) {}

    const std::vector<std::string>& parameter_names() const override { return names_; }
    void set_scale(double scale) { scale_ = scale; }
    const Eigen::VectorXd& fitted() const { return fitted_; }

    void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const override {
        mean_(theta, fitted_, jacobian_);
        if (fitted_.size() != y_.size() || jacobian_.rows() != y_.size() || jacobian_.cols() != theta.size())
            throw InvalidArgument("the mean function returned the wrong shape");
        const Eigen::Index p = theta.size();
        out.cost = 0.0;
        out.gradient.setZero(p);
        Eigen::VectorXd row_curvature(y_.size());
        Eigen::VectorXd row_slope(y_.size());
        for (Eigen::Index i = 0; i < y_.size(); ++i) {
            const double u = (y_[i] - fitted_[i]) / scale_;
            if (!std::isfinite(u) || !jacobian_.row(i).allFinite())
                throw NotFinite("row " + std::to_string(i + 1) + ": the mean or its derivative is not finite");
            const LossValue value = loss_(u);
            out.cost += value.rho;
            row_slope[i] = -value.psi / scale_;
            row_curvature[i] = bend_of(value, curvature) / (scale_ * scale_);
        }
        out.gradient = jacobian_.transpose() * row_slope;
        out.curvature = jacobian_.transpose() * row_curvature.asDiagonal() * jacobian_;
    }

private:
    const MeanFunction& mean_;
    const Eigen::VectorXd& y_;
    const std::vector<std::string>& names_;
    const Loss& loss_;
    double scale_ = 1.0;
    mutable Eigen::VectorXd fitted_;
    mutable Eigen::MatrixXd jacobian_;
};

}  // namespace

RegressionFit fit_robust_regression(const MeanFunction& mean, const Eigen::VectorXd& y, const Eigen::VectorXd& start,
                                    const Eigen::VectorXd& lower, const Eigen::VectorXd& upper,
                                    const std::vector<std::string>& names, const RegressionOptions& options) {
    if (y.size() < start.size()) throw InvalidArgument("fewer rows than parameters");
    if (!y.allFinite()) throw NotFinite("y is not finite");
    if (static_cast<std::size_t>(start.size()) != names.size())
        throw InvalidArgument("one name is needed for each parameter");
    if (options.scale_method == ScaleMethod::fixed && !(options.scale > 0.0 && std::isfinite(options.scale)))
        throw InvalidArgument("a fixed scale must be positive and finite");

    RegressionObjective objective(mean, y, names, options.loss);
    const bool hold_scale = options.scale_method == ScaleMethod::fixed;
    RegressionFit fit;
    fit.theta = start;
    Evaluation evaluation;
    double last_change = 0.0;
    const auto update_scale = [&] {
        objective.evaluate(fit.theta, Curvature::reweighted, evaluation);
        fit.residuals = y - objective.fitted();
        if (hold_scale) {
            fit.scale = options.scale;
        } else {
            const std::span<const double> residuals(fit.residuals.data(), static_cast<std::size_t>(y.size()));
            double next = robust_scale(residuals, options.scale_method, static_cast<double>(start.size()), fit.scale);
            if (!(next > 0.0))
                throw NotIdentifiable("the scale is zero: at least half of the rows are fitted exactly", {"scale"});
            if (fit.scale > 0.0) {
                // Fit and scale may answer each other in turn for ever; half-way (in logs) they meet.
                if (last_change * std::log(next / fit.scale) < 0.0) next = std::sqrt(next * fit.scale);
                last_change = std::log(next / fit.scale);
            }
            fit.scale = next;
        }
        objective.set_scale(fit.scale);
    };
    update_scale();
    for (fit.scale_rounds = 1; fit.scale_rounds <= options.max_scale_rounds; ++fit.scale_rounds) {
        const Eigen::VectorXd before = fit.theta;
        const double scale_before = fit.scale;
        // Reweighted curvature finds the basin, the exact one the last digits in few steps.
        fit.minimum = minimise(objective, fit.theta, lower, upper,
                               fit.scale_rounds == 1 ? Curvature::reweighted : Curvature::exact, options.solver);
        if (fit.scale_rounds == 1)
            fit.minimum = minimise(objective, fit.minimum.theta, lower, upper, Curvature::exact, options.solver);
        if (!fit.minimum.usable()) throw NotConverged("robust regression: " + fit.minimum.message);
        fit.theta = fit.minimum.theta;
        update_scale();
        const double moved = ((fit.theta - before).array().abs() / (1e-300 + fit.theta.array().abs())).maxCoeff();
        const double rescaled = std::abs(fit.scale - scale_before) / fit.scale;
        if (rescaled <= options.scale_tolerance && (hold_scale || moved <= options.scale_tolerance)) break;
    }
    if (fit.scale_rounds > options.max_scale_rounds)
        throw NotConverged("robust regression: scale and parameters did not settle in " +
                           std::to_string(options.max_scale_rounds) + " rounds");
    objective.evaluate(fit.theta, Curvature::reweighted, evaluation);
    require_identifiable(evaluation.curvature, names);
    fit.cost = evaluation.cost;
    fit.weights.resize(y.size());
    for (Eigen::Index i = 0; i < y.size(); ++i) fit.weights[i] = options.loss(fit.residuals[i] / fit.scale).weight;
    return fit;
}

}  // namespace lobetime
