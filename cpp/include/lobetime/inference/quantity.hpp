#pragma once
#include <lobetime/model/parameters.hpp>

#include <Eigen/Core>

#include <functional>
#include <limits>
#include <string>

namespace lobetime {

/// Anything read off the parameters: a parameter itself, minutes of a case, a difference between two devices.
struct Quantity {
    std::string name;
    std::string unit;
    std::function<double(const Eigen::VectorXd& theta)> value;  ///< of the working-scale parameters
    int parameter = -1;    ///< position when the quantity is a monotone function of one parameter, else -1
    bool parallel = true;  ///< `value` may be called by several threads at once
    /// Scale on which it is nearest to linear in the parameters: `log` for what is positive whatever the parameters.
    Transform scale = Transform::identity;
    /// The values it can have. `value` may go on smoothly beyond them (then it can be differentiated at a limit);
    /// estimates and ends are cut there.
    double least = -std::numeric_limits<double>::infinity();
    double most = std::numeric_limits<double>::infinity();
    std::function<Eigen::VectorXd(const Eigen::VectorXd& theta)> gradient = {};  ///< of `value`; empty: by differences

    double cut(double x) const { return x < least ? least : x > most ? most : x; }
};

/// Derivatives of a quantity's value at theta (p): its own gradient, or central differences over `step` (p; a small
/// share of each standard error). Throws NotFinite naming the quantity.
Eigen::VectorXd gradient_of(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::VectorXd& step);

/// An estimate with its interval. An end that the data do not close is open: NaN, with the flag set.
struct Interval {
    double estimate, lower, upper;  ///< natural scale
    bool lower_open = false, upper_open = false;
};

/// Standard error of a quantity on its `scale`, sqrt(d' C d), by the delta method. `covariance`: p x p, working scale.
/// Throws NotFinite naming the quantity, InvalidArgument (sizes).
double delta_standard_error(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::MatrixXd& covariance);

/// estimate -+ `quantile` standard errors on the quantity's scale, cut to the values it can have. Where the quantity
/// has no finite derivative both ends are open, but for a limit that the estimate stands on.
Interval delta_interval(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::MatrixXd& covariance,
                        double quantile);

}  // namespace lobetime
