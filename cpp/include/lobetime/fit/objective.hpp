#pragma once
#include <Eigen/Core>

#include <string>
#include <vector>

namespace lobetime {

/// Which curvature an objective reports.
enum class Curvature {
    reweighted,  ///< psi(u)/u: never negative, the safe one far from the minimum
    exact        ///< psi'(u), floored at 0: near the minimum it needs about half the steps
};

struct Evaluation {
    double cost = 0.0;         ///< never negative
    Eigen::VectorXd gradient;  ///< p
    Eigen::MatrixXd curvature; ///< p x p, positive semi-definite
};

/// A sum of losses over rows plus priors, seen whole: cost, gradient and curvature in one pass over the rows.
class Objective {
public:
    virtual ~Objective() = default;
    virtual const std::vector<std::string>& parameter_names() const = 0;
    int size() const { return static_cast<int>(parameter_names().size()); }

    /// Throws NotFinite naming the row when a residual or derivative is not finite.
    virtual void evaluate(const Eigen::VectorXd& theta, Curvature curvature, Evaluation& out) const = 0;
};

}  // namespace lobetime
