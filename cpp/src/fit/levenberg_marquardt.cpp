#include <lobetime/core/errors.hpp>
#include <lobetime/fit/levenberg_marquardt.hpp>

#include "fit/damped_steps.hpp"

#include <algorithm>
#include <cmath>
#include <string>
#include <utility>

namespace lobetime {
namespace {

constexpr double kNoiseOfCost = 1e-15, kRounding = 1e-13;
constexpr double kMostDamping = 1e16;
constexpr double kGainOfDigits = 1e-10;

}  // namespace

void LevenbergOptions::check() const {
    if (max_iterations < 1) throw InvalidArgument("max_iterations must be at least 1");
    if (!(gain_tolerance >= 0.0 && gain_tolerance < 1.0)) throw InvalidArgument("gain_tolerance must lie in [0, 1)");
    if (!(first_damping >= 0.0 && std::isfinite(first_damping)))
        throw InvalidArgument("first_damping must be 0 or more");
}

Minimum levenberg_marquardt(const Objective& objective, const Eigen::VectorXd& start, const Eigen::VectorXd& lower,
                            const Eigen::VectorXd& upper, Curvature curvature, const LevenbergOptions& options) {
    options.check();
    const Eigen::Index p = objective.size();
    if (start.size() != p || lower.size() != p || upper.size() != p)
        throw InvalidArgument("start and bounds must have one entry for each parameter");
    for (Eigen::Index i = 0; i < p; ++i) {
        if (!(lower[i] <= upper[i]))
            throw InvalidArgument("the bounds of " + objective.parameter_names()[static_cast<std::size_t>(i)] +
                                  " are empty");
    }
    Minimum minimum;
    minimum.theta = start.cwiseMax(lower).cwiseMin(upper);
    Evaluation now, next;
    objective.evaluate(minimum.theta, curvature, now);
    if (!std::isfinite(now.cost) || !now.gradient.allFinite() || !now.curvature.allFinite())
        throw NotFinite("the objective is not finite at the start");
    DampedSteps steps;
    double damping = options.first_damping, growth = 2.0, gain = 0.0;
    minimum.termination = Termination::at_iteration_limit;
    bool moved = true, raised = false;
    Eigen::VectorXd trial;
    for (minimum.iterations = 0; minimum.iterations < options.max_iterations; ++minimum.iterations) {
        if (options.interrupt && options.interrupt()) {
            minimum.termination = Termination::interrupted;
            break;
        }
        if (moved) {
            steps.prepare(now, minimum.theta, lower, upper);
            gain = steps.full_gain();
            if (gain <= std::max(options.gain_tolerance, kNoiseOfCost) * now.cost) {
                // A step this small is free, and takes the last digits: the cost cannot judge it, being all rounding.
                trial = (minimum.theta + steps.step()).cwiseMax(lower).cwiseMin(upper);
                try {
                    objective.evaluate(trial, curvature, next);
                    if (next.cost <= now.cost * (1.0 + kRounding)) {
                        minimum.theta = trial;
                        std::swap(now, next);
                    }
                } catch (const NotFinite&) {  // stay
                }
                minimum.termination = Termination::converged;
                break;
            }
            moved = false;
            raised = false;
        }
        bool accepted = false;
        if (steps.solve(damping)) {
            if (steps.promised() <= kNoiseOfCost * now.cost && raised) {  // the cost's digits show no more
                minimum.termination = gain <= kGainOfDigits * now.cost ? Termination::converged : Termination::failed;
                break;
            }
            trial = (minimum.theta + steps.step()).cwiseMax(lower).cwiseMin(upper);
            if (trial == minimum.theta) {
                minimum.termination = gain <= kGainOfDigits * now.cost ? Termination::converged : Termination::failed;
                break;
            }
            try {
                objective.evaluate(trial, curvature, next);
                accepted = std::isfinite(next.cost) && next.gradient.allFinite() && next.curvature.allFinite() &&
                           next.cost < now.cost;
            } catch (const NotFinite&) {
                accepted = false;
            }
        }
        if (accepted) {
            const double quality = (now.cost - next.cost) / std::max(steps.promised(), 1e-300);
            damping *= std::max(1.0 / 9.0, 1.0 - std::pow(2.0 * quality - 1.0, 3));
            if (damping < 1e-12) damping = 0.0;
            growth = 2.0;
            minimum.theta = trial;
            std::swap(now, next);
            moved = true;
        } else {
            if (!raised && curvature == Curvature::exact) {
                // The floored curvature can miss what bends the cost; the reweighted one majorises it.
                objective.evaluate(minimum.theta, Curvature::reweighted, now);
                steps.prepare(now, minimum.theta, lower, upper);
            }
            raised = true;
            damping = std::max(damping, 1e-6) * growth;
            growth *= 2.0;
            if (damping > kMostDamping) {
                // No descent along the gradient: either as far as the cost's digits go, or nothing near can be
                // evaluated.
                minimum.termination = gain <= kGainOfDigits * now.cost ? Termination::converged : Termination::failed;
                break;
            }
        }
    }
    minimum.cost = now.cost;
    for (Eigen::Index i = 0; i < p; ++i) {
        if (lower[i] == upper[i]) continue;  // held, not driven there
        const double margin = 1e-9 * std::max(1.0, std::abs(minimum.theta[i]));
        if (minimum.theta[i] <= lower[i] + margin || minimum.theta[i] >= upper[i] - margin)
            minimum.on_bound.push_back(objective.parameter_names()[static_cast<std::size_t>(i)]);
        else
            minimum.largest_gradient = std::max(minimum.largest_gradient, std::abs(now.gradient[i]));
    }
    minimum.message = std::string(termination_words(minimum.termination));
    return minimum;
}

}  // namespace lobetime
