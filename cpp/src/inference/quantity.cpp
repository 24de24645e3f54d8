#include <lobetime/core/errors.hpp>
#include <lobetime/inference/quantity.hpp>

#include <cmath>

namespace lobetime {
namespace {

/// Balances the third derivative's error against rounding: about 1e-9 of the gradient each.
constexpr double kShareOfStandardError = 1e-4;

}  // namespace

Eigen::VectorXd gradient_of(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::VectorXd& step) {
    if (step.size() != theta.size()) throw InvalidArgument("step must have one entry for each parameter");
    Eigen::VectorXd gradient;
    if (quantity.gradient) {
        gradient = quantity.gradient(theta);
        if (gradient.size() != theta.size())
            throw InvalidArgument("the gradient of " + quantity.name + " must have one entry for each parameter");
    } else {
        gradient.setZero(theta.size());
        Eigen::VectorXd at = theta;
        for (Eigen::Index i = 0; i < theta.size(); ++i) {
            if (quantity.parameter >= 0 && i != quantity.parameter) continue;
            const double up = theta[i] + step[i], down = theta[i] - step[i];
            if (up == down) continue;  // no step: taken as constant in this parameter
            at[i] = up;
            const double above = quantity.value(at);
            at[i] = down;
            gradient[i] = (above - quantity.value(at)) / (up - down);
            at[i] = theta[i];
        }
    }
    if (!gradient.allFinite()) throw NotFinite(quantity.name + " has no finite derivative at the estimate");
    return gradient;
}

double delta_standard_error(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::MatrixXd& covariance) {
    if (covariance.rows() != theta.size() || covariance.cols() != theta.size())
        throw InvalidArgument("the covariance must have one row and column for each parameter");
    const double value = quantity.value(theta);
    if (!std::isfinite(value) || (quantity.scale == Transform::log && !(value > 0.0)))
        throw NotFinite(quantity.name + " has no finite value at the estimate");
    const Eigen::VectorXd step = kShareOfStandardError * covariance.diagonal().cwiseMax(0.0).cwiseSqrt();
    const Eigen::VectorXd gradient = gradient_of(quantity, theta, step);
    const double variance = gradient.dot(covariance * gradient);
    return std::sqrt(std::fmax(variance, 0.0)) / (quantity.scale == Transform::log ? value : 1.0);
}

Interval delta_interval(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::MatrixXd& covariance,
                        double quantile) {
    const double value = quantity.value(theta);
    Interval interval{quantity.cut(value), std::nan(""), std::nan(""), true, true};
    if (value <= quantity.least && std::isfinite(quantity.least)) {
        interval.lower = quantity.least;  // it can have no less
        interval.lower_open = false;
    }
    if (value >= quantity.most && std::isfinite(quantity.most)) {
        interval.upper = quantity.most;
        interval.upper_open = false;
    }
    try {
        const double half = quantile * delta_standard_error(quantity, theta, covariance);
        const double centre = to_working(quantity.scale, value);
        interval.lower = quantity.cut(to_natural(quantity.scale, centre - half));
        interval.upper = quantity.cut(to_natural(quantity.scale, centre + half));
        interval.lower_open = interval.upper_open = false;
    } catch (const NotFinite&) {  // nothing to measure it by: the ends stay open
    }
    return interval;
}

}  // namespace lobetime
