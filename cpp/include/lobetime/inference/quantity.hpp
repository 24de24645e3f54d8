#pragma once
#include <Eigen/Core>

#include <functional>
#include <string>

namespace lobetime {

/// Anything read off the parameters: a parameter itself, minutes of a case, a difference between two devices.
struct Quantity {
    std::string name;
    std::string unit;
    std::function<double(const Eigen::VectorXd& theta)> value;  ///< of the working-scale parameters
    int parameter = -1;    ///< position when the quantity is (a monotone function of) one parameter, else -1
    bool parallel = true;  ///< `value` may be called by several threads at once
};

/// Derivatives of a quantity at theta, central differences over `step` (p; a small share of each standard error).
/// Throws NotFinite naming the quantity.
Eigen::VectorXd gradient_of(const Quantity& quantity, const Eigen::VectorXd& theta, const Eigen::VectorXd& step);

}  // namespace lobetime
